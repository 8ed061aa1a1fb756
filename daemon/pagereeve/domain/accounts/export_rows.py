"""The rows of an export: people, then house accounts, then what corrects earlier closed periods, then totals. The
others add up to these: what the meters counted in the period, and by how much they counted otherwise in earlier ones.

People's pages are from charges, house accounts' from postings, the totals from stretches: that they meet is a check,
not a construction.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal, get_args

from pagereeve.domain.accounts.entries import Correction
from pagereeve.domain.accounts.printer_accounts import AccountsOfPeriod, PrinterAccounts
from pagereeve.domain.accounts.totals import By, Total
from pagereeve.domain.ledger import HOUSE_ACCOUNTS, PEOPLE, Charge, account_kind

RowKind = Literal["people", "house", "decision", "adjustment", "total"]
ROW_KINDS: Final[tuple[RowKind, ...]] = get_args(RowKind)
ExportBy = Literal[By, "day", "release"]

METERS: Final = "meters"
"""The account of a total: what the meters counted."""


@dataclass(frozen=True, slots=True)
class ExportRow:
    """Pages that one account received, in one channel and unit.

    ``who`` is the person, cost centre, printer or day, as the export is grouped; "" in rows that are of none, and for
    people whose cost centre nobody said. ``figures`` are of releases: those of a house account are None, not 0.
    ``charge``: by release, the release; ``decision`` is then the id of the one that changes what it is charged.
    ``corrects`` is the closed period that an adjustment corrects, ``correction`` by release the whole of it.
    """

    kind: RowKind
    account: str
    who: str
    channel: str
    unit: str
    pages: int
    billed: bool
    figures: Total | None = None
    charge: Charge | None = None
    decision: str = ""
    corrects: str = ""
    correction: Correction | None = None


def people_row(total: Total, who: str | None = None, charge: Charge | None = None) -> ExportRow:
    name = total.who if who is None else who
    return ExportRow(PEOPLE, PEOPLE, name, total.channel, total.unit, total.charged, total.billed, total, charge)


def release_row(charge: Charge) -> ExportRow:
    total = Total("", charge.channel, "" if charge.unit is None else charge.unit.value)
    total.add(charge)
    return people_row(total, charge=charge)


def house_rows(lines: Iterable[PrinterAccounts], by: ExportBy, day: str = "") -> list[ExportRow]:
    """One for each house account that received pages: of each printer or of the day, if that is asked for."""
    sums: dict[tuple[bool, str, str, str, str], int] = {}
    for line in lines:
        who = line.printer if by == "printer" else day
        billed = Total("", line.channel, "").billed
        for account in HOUSE_ACCOUNTS:
            key = (not billed, who, line.channel, line.unit, account)
            sums[key] = sums.get(key, 0) + line.received[account_kind(account)]
    return [
        ExportRow("house", account, who, channel, unit, pages, not part)
        for (part, who, channel, unit, account), pages in sorted(sums.items())
        if pages
    ]


class Adding:
    """Sees every row of accounts pass, and makes the totals: memory in proportion to the channels.

    ``corrections`` are those of the rows that pass: they say by how much meters counted otherwise in earlier periods.
    """

    def __init__(self, accounts: AccountsOfPeriod, corrections: Iterable[Correction] = ()) -> None:
        self._figures: dict[tuple[str, str], Total] = {}
        self._received: dict[tuple[str, str], int] = {}
        self._counted: dict[tuple[str, str], int] = {}
        for line in accounts.lines:
            key = (line.channel, line.unit)
            self._counted[key] = self._counted.get(key, 0) + line.counted
        for one in corrections:
            if one.is_of_meter:
                key = (one.adjustment.key.channel, one.adjustment.key.unit)
                self._counted[key] = self._counted.get(key, 0) - one.pages

    def add(self, row: ExportRow) -> ExportRow:
        key = (row.channel, row.unit)
        self._received[key] = self._received.get(key, 0) + row.pages
        if row.figures is not None:
            self._figures.setdefault(key, Total("", *key)).merge(row.figures)
        return row

    def totals(self) -> Iterator[ExportRow]:
        """What the meters counted, in each channel and unit; the figures are sums of people's."""
        keys = self._received.keys() | self._counted.keys()
        totals = [Total("", *key) if key not in self._figures else self._figures[key] for key in keys]
        for one in sorted(totals, key=lambda one: (not one.billed, one.channel, one.unit)):
            counted = self._counted.get((one.channel, one.unit), 0)
            yield ExportRow("total", METERS, "", one.channel, one.unit, counted, one.billed, one)

    @property
    def differences(self) -> dict[tuple[str, str], int]:
        """By channel and unit, pages that accounts received beyond what the meters counted; empty where all meet."""
        keys = sorted(self._received.keys() | self._counted.keys())
        found = {key: self._received.get(key, 0) - self._counted.get(key, 0) for key in keys}
        return {key: pages for key, pages in found.items() if pages}


def summed_rows(
    by: By,
    lines: Sequence[Total],
    accounts: AccountsOfPeriod,
    adjustments: Iterable[ExportRow] = (),
    corrections: Iterable[Correction] = (),
) -> list[ExportRow]:
    """All rows of totals that are in memory."""
    adding = Adding(accounts, corrections)
    rows = [adding.add(people_row(line)) for line in lines]
    rows += [adding.add(row) for row in (*house_rows(accounts.lines, by), *adjustments)]
    return [*rows, *adding.totals()]
