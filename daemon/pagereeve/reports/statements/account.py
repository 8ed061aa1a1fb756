"""Of a printer's statement: from the meter's figures to who received its pages, so that both sides add up."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Final

from pagereeve.domain.accounts.periods import local_text
from pagereeve.domain.accounts.printer_accounts import PrinterAccounts
from pagereeve.domain.ledger import HOUSE_ACCOUNTS, PEOPLE, account_kind
from pagereeve.queries.statement_lines import Statement
from pagereeve.reports.statements.markup import row, table_of, text
from pagereeve.reports.statements.words import HOUSE_ACCOUNT_WORDS, channel_words
from pagereeve.reports.statements.words import figure as digits

Written = Callable[[int | None], str]

_METER: Final = (
    ("meter_start", "Meter at start"),
    ("meter_end", "Meter at end"),
    ("meter_restarts", "Meter restarts"),
    ("over_start", "Over start: counted here, of releases before"),
    ("over_end", "Over end: of releases here, counted later"),
)


def account_of(statement: Statement, figure: Written = digits) -> str:
    """Nothing for a statement that is no printer's."""
    accounts = statement.accounts
    if accounts is None:
        return ""
    if not accounts.lines:
        return "<p>The meter counted nothing that is known in this period.</p>"
    headings = [("w", ""), *(("n", text(channel_words(one.channel, one.unit))) for one in accounts.lines)]
    note = (
        '<p class="small">End less start, with restarts, over start and over end, is the period\'s pages; people and '
        "house accounts together received as many.</p>"
    )
    return f"{table_of(headings, list(_rows(accounts.lines, figure)))}\n{note}{_edges(statement, figure)}"


def _rows(lines: tuple[PrinterAccounts, ...], figure: Written) -> Iterable[str]:
    for member, words in _METER:
        yield row([("w", words), *(("n", figure(getattr(one, member))) for one in lines)])
    yield _total("Pages of the period", (figure(one.counted) for one in lines))
    for account in (PEOPLE, *HOUSE_ACCOUNTS):
        pages = [one.received[PEOPLE if account == PEOPLE else account_kind(account)] for one in lines]
        if any(pages) or account == PEOPLE:
            words = "People, charged" if account == PEOPLE else f"{account}: {HOUSE_ACCOUNT_WORDS[account]}"
            yield row([("w", words), *(("n", figure(one)) for one in pages)])
    yield _total("Received by people and house", (figure(one.people + one.house) for one in lines))
    if any(one.releases_waiting for one in lines):
        yield row([("w", "Releases waiting"), *(("n", figure(one.releases_waiting)) for one in lines)])
        yield row([("w", "Pages waiting"), *(("n", figure(one.pages_waiting)) for one in lines)])


def _total(words: str, pages: Iterable[str]) -> str:
    return row([("w", words), *(("n", one) for one in pages)], ' class="total"')


def _edges(statement: Statement, figure: Written) -> str:
    zone = statement.period.zone
    rows = [
        row(
            [
                ("t", text(local_text(one.stretch.opens_us, zone))),
                ("t", text(local_text(one.stretch.closes_us, zone))),
                ("w", text(channel_words(one.stretch.channel, one.stretch.unit.value))),
                ("n", figure(one.stretch.counted)),
                ("n", figure(one.pages)),
            ]
        )
        for one in (statement.accounts.edges if statement.accounts is not None else ())
    ]
    headings = [("t", "Opens"), ("t", "Closes"), ("w", "Channel, unit"), ("n", "Counted"), ("n", "Of the period")]
    table = table_of(headings, rows)
    return f"\n<h3>Stretches over an edge of the period</h3>\n{table}" if table else ""
