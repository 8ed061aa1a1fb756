"""A period's rows as tables for a page: one a channel and unit, whose pages add up to what the meters counted."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.accounts.export_rows import ExportRow
from pagereeve.domain.accounts.totals import By, Total
from pagereeve.domain.ledger import PEOPLE
from pagereeve.domain.values.address_step import one_step
from pagereeve.reports.statements.words import HOUSE_ACCOUNT_WORDS
from pagereeve.reports.totals import name_shown

ROWS_MAX: Final = 200
"""Of each kind of row, those with the most pages; the others stand in one row."""


@dataclass(frozen=True, slots=True)
class AccountRow:
    """``who`` has the statement at ``link`` ("": none); ``what`` is the account in words, "" of people. ``figures`` are
    of releases: None of a house account, and of an adjustment.
    """

    who: str
    link: str
    what: str
    figures: Total | None
    pages: int


@dataclass(frozen=True, slots=True)
class Part:
    """``more`` rows are not shown; they have ``more_pages`` together."""

    rows: tuple[AccountRow, ...] = ()
    more: int = 0
    more_pages: int = 0


@dataclass(frozen=True, slots=True)
class AccountTable:
    """``difference``: pages that accounts received beyond what the meters counted (``meters``)."""

    channel: str
    unit: str
    billed: bool
    people: Part
    house: Part
    adjustments: Part
    figures: Total
    meters: int
    difference: int


def account_tables(period: str, by: By, rows: Iterable[ExportRow]) -> list[AccountTable]:
    """Channels that are billed first, then those with the most pages."""
    groups: dict[tuple[str, str], list[ExportRow]] = {}
    totals: list[ExportRow] = []
    for row in rows:
        if row.kind == "total":
            totals.append(row)
        else:
            groups.setdefault((row.channel, row.unit), []).append(row)
    totals.sort(key=lambda one: (not one.billed, -abs(one.pages), one.channel, one.unit))
    return [_table(period, by, groups.get((one.channel, one.unit), []), one) for one in totals]


def statement_link(period: str, by: By, name: str) -> str:
    return f"/accounts/{one_step(period)}/{by}/{one_step(name)}"


def _table(period: str, by: By, rows: Sequence[ExportRow], total: ExportRow) -> AccountTable:
    def part(kind: str) -> Part:
        return _part([_row(period, by, row) for row in rows if row.kind == kind])

    return AccountTable(
        channel=total.channel,
        unit=total.unit,
        billed=total.billed,
        people=part("people"),
        house=part("house"),
        adjustments=part("adjustment"),
        figures=Total("", total.channel, total.unit) if total.figures is None else total.figures,
        meters=total.pages,
        difference=sum(row.pages for row in rows) - total.pages,
    )


def _part(rows: list[AccountRow]) -> Part:
    rows.sort(key=lambda one: (-abs(one.pages), one.who, one.what))
    left = rows[ROWS_MAX:]
    return Part(tuple(rows[:ROWS_MAX]), len(left), sum(one.pages for one in left))


def _row(period: str, by: By, row: ExportRow) -> AccountRow:
    of_person = row.figures is not None and by == "person"
    who = name_shown(row.figures) if row.figures is not None and of_person else row.who
    link = statement_link(period, by, row.who) if row.kind == "people" or row.who else ""
    return AccountRow(who, link, _what(row), None if row.kind == "adjustment" else row.figures, row.pages)


def _what(row: ExportRow) -> str:
    words = "" if row.account == PEOPLE else HOUSE_ACCOUNT_WORDS.get(row.account, row.account)
    if row.kind != "adjustment":
        return words
    return f"corrects {row.corrects}" + (f": {words}" if words else "")
