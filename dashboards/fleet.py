"""The fleet: which printer can't be trusted, and which gateway? And do events come in?"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from grafana_foundation_sdk.builders import bargauge, dashboard, stat, table, timeseries

from dashboards import console
from dashboards.feeds import accepted, each_feed, last_events
from dashboards.panels import (
    ANY_IS_BAD,
    ANY_IS_ODD,
    HERE,
    PRINTERS_PAGE,
    YES_OR_NO,
    Column,
    Look,
    Query,
    bars,
    begin,
    channel,
    choice,
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
THIRD: Final = 8


def fleet(*, with_console: bool = console.SERVED) -> dashboard.Dashboard:
    text = "Which printers can be believed, which can't, and since when. Names printers only, never people."
    made = begin("Pagereeve: fleet", "pagereeve-fleet", text, "now-24h").with_variable(channel())
    made = made.with_variable(_gateway_choice())
    links = {"Look closer": PRINTERS_PAGE}
    if with_console:
        made = made.with_variable(console.address()).link(console.link("Findings in the console", console.FINDINGS))
        links["In the console"] = console.PRINTER_OF_ROW
    for figure in _figures():
        made = made.with_panel(figure)
    made = made.with_panel(_gateways()).with_panel(_untrue(links))
    made = made.with_panel(_findings()).with_panel(_kinds()).with_panel(_unexplained()).with_panel(_reads())
    return made.with_panel(last_events(THIRD)).with_panel(each_feed(THIRD)).with_panel(accepted(THIRD))


def _gateway_choice() -> dashboard.QueryVariable:
    """All of them are also the printers that are behind none."""
    values = f'label_values(pagereeve_printer_gateway{{{HERE},gateway!=""}}, gateway)'
    return choice("gateway", "Gateway", "Whose printers the table shows.", values, many=True, all_value=".*")


def behind(expr: str) -> str:
    """``expr``, by printer, of the printers behind the gateways that were chosen."""
    return f'({expr}) and on (printer) pagereeve_printer_gateway{{{HERE},gateway=~"$gateway"}}'


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


def _gateways() -> table.Panel:
    of = f"instance_gateway_severity:pagereeve_open_findings:sum{{{HERE},severity="
    pages = f'instance_gateway_channel:pagereeve_pages_unexplained:sum{{{HERE},channel="$channel"}}'
    unchecked = f'2 * max by (gateway) (pagereeve_printer_gateway{{{HERE},gateway!=""}})'
    columns = [
        Column(
            "Answers itself",
            f"min by (gateway) (pagereeve_gateway_up{{{HERE}}}) or {unchecked}",
            Look(words=YES_OR_NO | {"2": ("not checked", "text")}),
        ),
        Column("Printers", f"sum by (gateway) (instance_gateway:pagereeve_printers:count{{{HERE}}})"),
        Column(
            "Meters that answered",
            f"avg by (gateway) (instance_gateway:pagereeve_meters_up:ratio{{{HERE}}})",
            Look("percentunit", ((None, "red"), (0.5, "orange"), (0.9, "green"))),
        ),
        Column(
            "Silent while awaited",
            f"sum by (gateway) (instance_gateway:pagereeve_meters_awaited_silent:count{{{HERE}}})",
            Look(steps=ANY_IS_BAD),
        ),
        Column("Critical", f'sum by (gateway) ({of}"critical"}})', Look(steps=ANY_IS_BAD)),
        Column("Warnings", f'sum by (gateway) ({of}"warning"}})', Look(steps=ANY_IS_ODD)),
        Column("Unexplained pages", grown(pages, "gateway"), Look(steps=ANY_IS_ODD)),
    ]
    text = (
        "A row for each gateway, doubtful ones first. Many silent or critical behind one, and few behind the others: "
        "look at that gateway, its network and its forwards before any printer. Answers itself: its own check, where "
        "the settings have one. Choose a name to see its printers. Empty where no printer is behind a gateway."
    )
    link = "/d/pagereeve-fleet?var-gateway=${__data.fields.gateway}&${source:queryparam}&${instance:queryparam}"
    look = Look(span=24, height=9)
    return rows("Which gateway?", text, columns, look, key="gateway", sort="Critical", links={"Its printers": link})


def _untrue(links: Mapping[str, str]) -> table.Panel:
    of = f"{{{HERE},severity="
    read = f"time() - max by (printer) (pagereeve_last_reading_timestamp_seconds{{{HERE}}})"
    columns = [
        Column("Gateway", behind(f"max by (printer, gateway) (pagereeve_printer_gateway{{{HERE}}})"), label="gateway"),
        Column("Critical", behind(f'sum by (printer) ({FINDINGS}{of}"critical"}})'), Look(steps=ANY_IS_BAD)),
        Column("Warnings", behind(f'sum by (printer) ({FINDINGS}{of}"warning"}})'), Look(steps=ANY_IS_ODD)),
        Column("Unexplained pages", behind(grown(UNEXPLAINED, "printer")), Look(steps=ANY_IS_ODD)),
        Column("Last read good", behind(f"min by (printer) (pagereeve_meter_up{{{HERE}}})"), Look(words=YES_OR_NO)),
        Column(
            "Last good reading",
            behind(read),
            Look("s", ((None, "green"), (DAY_S, "orange"), (4 * DAY_S, "red"))),
        ),
        Column("Releases that wait", behind(f"sum by (printer) (pagereeve_open_windows{{{HERE}}})")),
    ]
    text = (
        "A row for each printer behind the gateways chosen above, doubtful ones first. Critical: the meter was "
        "replaced, fell, jumped, does not count or is not the one expected. Unexplained: pages of the range shown that "
        "no release accounts for. `pagereeve findings --printer NAME` tells more; choose a name to look closer."
    )
    look = Look(span=24, height=12)
    title = "Which printer can't be trusted?"
    return rows(title, text, columns, look, key="printer", sort="Critical", links=links)


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
