"""The month at a glance: what was counted, whose it is, and what nobody can explain."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from grafana_foundation_sdk.builders import dashboard

from dashboards import console
from dashboards.panels import (
    ANY_IS_ODD,
    CALM,
    HERE,
    PRINTERS_PAGE,
    AnyPanel,
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
    shares,
)

IN: Final = f'{HERE},channel="$channel"'
ACCOUNTS: Final = "instance_channel_account:pagereeve_pages:sum"
COUNTED: Final = f"instance_channel:pagereeve_pages_counted:sum{{{IN}}}"
PRINTER_COUNTED: Final = f"instance_printer_channel:pagereeve_pages_counted:sum{{{IN}}}"
PRINTER_UNEXPLAINED: Final = f"instance_printer_channel:pagereeve_pages_unexplained:sum{{{IN}}}"
EXACT: Final = "`pagereeve totals --period 2026-11` has the exact figures by the dates of the releases."


def account(kind: str) -> str:
    return grown(f'{ACCOUNTS}{{{IN},account="{kind}"}}', "channel")


def month(*, with_console: bool = console.SERVED) -> dashboard.Dashboard:
    text = (
        "What the meters counted in the range shown, by kind of account. Never a person: "
        "`pagereeve totals` has those, for people who may see them. " + EXACT
    )
    made = begin("Pagereeve: month at a glance", "pagereeve-month", text, "now/M").with_variable(channel())
    links = {"Look closer": PRINTERS_PAGE}
    if with_console:
        made = made.with_variable(console.address()).link(console.link("Findings in the console", console.FINDINGS))
        links["In the console"] = console.PRINTER_OF_ROW
    for panel in [*_figures(), *_pages(links), *_findings()]:
        made = made.with_panel(panel)
    return made


def _figures() -> list[AnyPanel]:
    share = f"{account('people')} / ({grown(COUNTED, 'channel')} > 0)"
    figures: list[tuple[str, str, str, Look]] = [
        (
            "Pages counted",
            "By all meters in the range shown. " + EXACT,
            grown(COUNTED, "channel"),
            Look(span=4, height=5),
        ),
        (
            "Accounted to people",
            "Share of the counted pages that a person is charged for. Below nine tenths, see what the rest is.",
            or_zero(share),
            Look("percentunit", ((None, "orange"), (0.9, "green")), decimals=1, span=4, height=5),
        ),
        (
            "Surplus",
            "Counted beyond what releases asked for. Banner sheets, jams, copies: `pagereeve findings` has the hints.",
            account("surplus"),
            Look("short", ANY_IS_ODD, span=4, height=5),
        ),
        (
            "Stray",
            "Pages without a release. Copies by hand, test pages, or printing past the release server.",
            account("stray"),
            Look("short", ANY_IS_ODD, span=4, height=5),
        ),
        (
            "Shortfall",
            "Released and billed, and not counted. Only policy `released` makes these; see the findings of that kind.",
            account("shortfall"),
            Look("short", ANY_IS_ODD, span=4, height=5),
        ),
        (
            "Unattributed",
            "Counted in stretches in which nothing can be proven: the meter was replaced, fell, or could not be read.",
            account("unattributed"),
            Look("short", ANY_IS_ODD, span=4, height=5),
        ),
    ]
    return [number(title, text, Query(expr), look) for title, text, expr, look in figures]


def _pages(links: Mapping[str, str]) -> list[AnyPanel]:
    counted = grown(PRINTER_COUNTED, "printer")
    unexplained = grown(PRINTER_UNEXPLAINED, "printer")
    return [
        shares(
            "Where the pages went",
            "By kind of account. maintenance and other-function are explained; stray, surplus, unattributed are not.",
            Query(grown(f'{ACCOUNTS}{{{IN},account!="shortfall"}}', "account"), "{{account}}"),
            Look("short", CALM, span=10, height=9),
        ),
        course(
            "Pages on each account, since the journal began",
            "The slope is what happens. A late notice moves pages from stray to people, so a line may fall.",
            [Query(f"sum by (account) ({ACCOUNTS}{{{IN}}})", "{{account}}")],
            Look(span=14, height=9),
        ),
        rows(
            "Printers with the most unexplained pages",
            "Pages of the range that no release accounts for, and their share of all that the printer counted. "
            "Begin with the highest share: `pagereeve findings --printer NAME`.",
            [
                Column("Unexplained", unexplained, Look(steps=ANY_IS_ODD)),
                Column("Counted", counted),
                Column(
                    "Share",
                    or_zero(f"{unexplained} / ({counted} > 0)"),
                    Look("percentunit", ((None, "green"), (0.02, "orange"), (0.1, "red"))),
                ),
            ],
            Look(span=14, height=10),
            key="printer",
            sort="Unexplained",
            links=links,
        ),
    ]


def _findings() -> list[AnyPanel]:
    kinds = f"sum by (kind) (instance_kind:pagereeve_open_findings:sum{{{HERE}}})"
    return [
        bars(
            "Findings still open",
            "By kind. Answer them before the month is closed: `pagereeve findings explain FINDING --reason REASON`; "
            "`pagereeve findings summary --period MONTH` adds up the reasons. A single 0: none is open.",
            Query(or_zero(f"{kinds} > 0"), "{{kind}}"),
            Look("short", ANY_IS_ODD, span=10, height=10),
        ),
    ]
