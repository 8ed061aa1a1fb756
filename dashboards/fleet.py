"""The fleet: which printer can't be trusted?"""

from __future__ import annotations

from typing import Final

from grafana_foundation_sdk.builders import bargauge, dashboard, stat, table, timeseries

from dashboards.panels import (
    ANY_IS_BAD,
    ANY_IS_ODD,
    HERE,
    YES_OR_NO,
    Column,
    Look,
    Query,
    bars,
    begin,
    channel,
    course,
    grown,
    number,
    or_zero,
    rows,
)

FINDINGS: Final = "instance_printer_severity:pagereeve_open_findings:sum"
HOUSE_PAGES: Final = f'instance_channel_account:pagereeve_pages:sum{{{HERE},channel="$channel",account!="people"}}'
UNEXPLAINED: Final = f'instance_printer_channel:pagereeve_pages_unexplained:sum{{{HERE},channel="$channel"}}'
DAY_S: Final = 86_400
SMALL: Final = 3
WIDE: Final = 6


def fleet() -> dashboard.Dashboard:
    text = "Which printers can be believed, which can't, and since when. Names printers only, never people."
    made = begin("Pagereeve: fleet", "pagereeve-fleet", text, "now-24h").with_variable(channel())
    for figure in _figures():
        made = made.with_panel(figure)
    made = made.with_panel(_untrue()).with_panel(_findings()).with_panel(_kinds())
    return made.with_panel(_unexplained()).with_panel(_reads())


def _figures() -> list[stat.Panel]:
    return [
        number(
            "Printers",
            "Printers of the registry. If one is missing, it is not in the settings file.",
            Query(f"count(pagereeve_open_windows{{{HERE}}})"),
            Look(span=SMALL, height=4),
        ),
        number(
            "Meters that answered",
            "Share of the meters whose last read was good. A printer that sleeps lowers it and needs nothing.",
            Query(f"avg(pagereeve_meter_up{{{HERE}}})"),
            Look("percentunit", ((None, "red"), (0.5, "orange"), (0.9, "green")), span=SMALL, height=4),
        ),
        number(
            "Silent while awaited",
            "Meters that can't be read although a release needs it. Look at the table below for which; three or more "
            "at once are usually behind one gateway.",
            Query(f"sum(instance:pagereeve_meters_awaited_silent:count{{{HERE}}})"),
            Look("short", ANY_IS_BAD, span=SMALL, height=4),
        ),
        number(
            "Critical findings",
            "Open findings that say that a meter can't be trusted. `pagereeve findings` has the evidence.",
            Query(f'sum({FINDINGS}{{{HERE},severity="critical"}})'),
            Look("short", ANY_IS_BAD, span=SMALL, height=4),
        ),
        number(
            "Warnings",
            "Open findings about pages that do not fit. Explain or close each: `pagereeve findings explain FINDING`.",
            Query(f'sum({FINDINGS}{{{HERE},severity="warning"}})'),
            Look("short", ANY_IS_ODD, span=SMALL, height=4),
        ),
        number(
            "Releases that wait",
            "Releases whose meter has not come to rest. Many for long: printers are jammed, or can't be read.",
            Query(f"sum(pagereeve_open_windows{{{HERE}}})"),
            Look(span=SMALL, height=4),
        ),
        number(
            "Gateways down",
            "Gateways that do not answer their own check. The printers behind one can't be read, and may be well.",
            Query(or_zero(f"sum(pagereeve_gateway_up{{{HERE}}} == bool 0)")),
            Look("short", ANY_IS_BAD, span=WIDE, height=4),
        ),
    ]


def _untrue() -> table.Panel:
    of = f"{{{HERE},severity="
    columns = [
        Column("Critical", f'sum by (printer) ({FINDINGS}{of}"critical"}})', Look(steps=ANY_IS_BAD)),
        Column("Warnings", f'sum by (printer) ({FINDINGS}{of}"warning"}})', Look(steps=ANY_IS_ODD)),
        Column("Unexplained pages", grown(UNEXPLAINED, "printer"), Look(steps=ANY_IS_ODD)),
        Column("Last read good", f"min by (printer) (pagereeve_meter_up{{{HERE}}})", Look(words=YES_OR_NO)),
        Column(
            "Last good reading",
            f"time() - max by (printer) (pagereeve_last_reading_timestamp_seconds{{{HERE}}})",
            Look("s", ((None, "green"), (DAY_S, "orange"), (4 * DAY_S, "red"))),
        ),
        Column("Releases that wait", f"sum by (printer) (pagereeve_open_windows{{{HERE}}})"),
    ]
    text = (
        "A row for each printer, doubtful ones first. Critical: the meter was replaced, fell, jumped, does not count "
        "or is not the one expected. Unexplained: pages of the range shown that no release accounts for. "
        "`pagereeve findings --printer NAME` tells more; choose a name to look closer."
    )
    link = "/d/pagereeve-printer?var-printer=${__data.fields.printer}&${source:queryparam}"
    look = Look(span=24, height=12)
    title = "Which printer can't be trusted?"
    return rows(title, text, columns, look, key="printer", sort="Critical", link=link)


def _findings() -> timeseries.Panel:
    return course(
        "Open findings by severity",
        "A line that only rises: nobody explains or closes findings. A step: something happened to many printers.",
        [Query(f"sum by (severity) ({FINDINGS}{{{HERE}}})", "{{severity}}")],
        Look(span=12, height=8),
    )


def _kinds() -> bargauge.Panel:
    return bars(
        "Open findings by kind, the most frequent",
        "What there is most of. Many of one kind have one cause: a diagnosis may name the setting that removes them.",
        Query(f"topk(8, sum by (kind) (instance_kind:pagereeve_open_findings:sum{{{HERE}}}))", "{{kind}}"),
        Look("short", ANY_IS_ODD, span=12, height=8),
    )


def _unexplained() -> timeseries.Panel:
    return course(
        "Pages on the house's accounts, since the journal began",
        "What the meters counted and no person is charged for, by account; shortfall is what was released and not "
        "counted. A line that rises steadily is worth finding the printer for: see the table.",
        [Query(f"sum by (account) ({HOUSE_PAGES})", "{{account}}")],
        Look(span=12, height=8),
    )


def _reads() -> timeseries.Panel:
    return course(
        "Reads of meters by result",
        "How reads end. timeout: never answered. asleep: answered before. refused, unreachable: the path is wrong. "
        "wrong-responder: another device answers at that address.",
        [Query(or_zero(f"sum by (result) (instance_result:pagereeve_reads:rate5m{{{HERE}}}) > 0"), "{{result}}")],
        Look("ops", span=12, height=8),
        stacked=True,
    )
