"""One printer: its meter, what became of its pages, what is open."""

from __future__ import annotations

from typing import Final

from grafana_foundation_sdk.builders import bargauge, dashboard, stat, table, timeseries

from dashboards import console
from dashboards.panels import (
    ANY_IS_BAD,
    HERE,
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
    names,
    number,
    or_zero,
    rows,
)

ONE: Final = f'{HERE},printer="$printer"'
PAGES: Final = f'pagereeve_pages_total{{{ONE},channel="$channel"}}'
DAY_S: Final = 86_400


def printer(*, with_console: bool = console.SERVED) -> dashboard.Dashboard:
    text = "One printer: whether its meter can be read and believed, and what became of the pages that it counted."
    values = f"label_values(pagereeve_open_windows{{{HERE}}}, printer)"
    which = choice("printer", "Printer", "Which printer.", values, many=False)
    made = begin("Pagereeve: printer", "pagereeve-printer", text, "now-24h").with_variable(which)
    made = made.with_variable(channel())
    if with_console:
        made = made.with_variable(console.address())
        made = made.link(console.link("This printer in the console", console.PRINTER_CHOSEN))
    for figure in _figures():
        made = made.with_panel(figure)
    made = made.with_panel(_meter()).with_panel(_up()).with_panel(_accounts()).with_panel(_course())
    return made.with_panel(_findings())


def _figures() -> list[stat.Panel]:
    small = 3
    return [
        number(
            "Last read good",
            "no: the meter did not answer last time. Only worth a look if a release waits, or if it stays so.",
            Query(f"min(pagereeve_meter_up{{{ONE}}})"),
            Look(words=YES_OR_NO, span=small, height=4),
        ),
        number(
            "Last good reading",
            "How long ago. `pagereeve read --printer NAME` tries now and says what is wrong.",
            Query(f"time() - max(pagereeve_last_reading_timestamp_seconds{{{ONE}}})"),
            Look("s", ((None, "green"), (DAY_S, "orange"), (4 * DAY_S, "red")), span=small, height=4),
        ),
        names(
            "Gateway",
            "The one that it is behind; no name where there is none. The fleet's page shows what else is behind it.",
            Query(f"max by (gateway) (pagereeve_printer_gateway{{{ONE}}})", "{{gateway}}"),
            Look(span=small, height=4),
        ),
        number(
            "Releases that wait",
            "Releases whose count has not come to rest. It goes back to 0 by itself; if not, look for a jam.",
            Query(f"sum(pagereeve_open_windows{{{ONE}}})"),
            Look(span=small, height=4),
        ),
        number(
            "Settle time",
            "How long the count must not move before a release may be closed. Learnt, unless it is set.",
            Query(f"max(pagereeve_settle_seconds{{{ONE}}})"),
            Look("s", span=small, height=4),
        ),
        number(
            "Pages counted",
            "By the meter, in the range shown, as the ledger has them.",
            Query(
                grown(f'instance_printer_channel:pagereeve_pages_counted:sum{{{ONE},channel="$channel"}}', "printer")
            ),
            Look(span=small, height=4),
        ),
        number(
            "Unexplained pages",
            "Pages of the range shown that no release accounts for. `pagereeve findings --printer NAME` says when.",
            Query(
                grown(
                    f'instance_printer_channel:pagereeve_pages_unexplained:sum{{{ONE},channel="$channel"}}', "printer"
                )
            ),
            Look("short", ANY_IS_BAD, span=6, height=4),
        ),
    ]


def _meter() -> timeseries.Panel:
    return course(
        "The printer's own counters",
        "As read. A counter that falls or jumps is a finding, and nothing is subtracted across it: compare the serial "
        "number in `pagereeve findings show FINDING` with the device that is there.",
        [Query(f"pagereeve_meter_reading{{{ONE}}}", "{{channel}}")],
        Look(span=12, height=9),
    )


def _up() -> timeseries.Panel:
    return course(
        "Share of time in which reads were good",
        "1: always. Steps to 0 at night are sleep. Ragged by day: a bad path or a slow agent; raise read_timeout.",
        [Query(f"avg_over_time(pagereeve_meter_up{{{ONE}}}[$__rate_interval])", "good")],
        Look("percentunit", span=12, height=9),
    )


def _accounts() -> bargauge.Panel:
    return bars(
        "Where the pages of the range went",
        "people: charged to persons. stray: without a release. surplus: more than a release asked for. shortfall: "
        "released and not counted. unattributed: counted, and not provably anybody's. `pagereeve explain RELEASE` "
        "gives the evidence.",
        Query(grown(PAGES, "account"), "{{account}}"),
        Look(span=12, height=8),
    )


def _course() -> timeseries.Panel:
    return course(
        "Pages by account, since the journal began",
        "A late notice may move pages from stray to people; the sum stays.",
        [Query(f"sum by (account) ({PAGES})", "{{account}}")],
        Look(span=12, height=8),
    )


def _findings() -> table.Panel:
    return rows(
        "Open findings",
        "By kind; a row without findings is not shown, and a single 0 means that none is open. "
        "`pagereeve findings --printer NAME` has the evidence, `pagereeve findings explain FINDING` answers one.",
        [Column("Open", or_zero(f"sum by (kind) (pagereeve_open_findings{{{ONE}}}) > 0"), Look(steps=ANY_IS_BAD))],
        Look(span=24, height=8),
        key="kind",
        sort="Open",
    )
