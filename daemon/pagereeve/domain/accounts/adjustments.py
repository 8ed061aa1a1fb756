"""What the ledger says of a closed period today beside what was frozen: differences, which balance as both sides do."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from pagereeve.domain.accounts.entries import Adjustment, EntryKey
from pagereeve.domain.accounts.frozen import (
    FrozenAdjustment,
    FrozenCharge,
    FrozenDecision,
    FrozenLine,
    FrozenRow,
)
from pagereeve.domain.ledger import HOUSE_ACCOUNTS, account_kind, meter_account, person

Entry = tuple[EntryKey, int, int]
"""An account, its pages, and when the release started (0: of none)."""


def entries_of(row: FrozenRow) -> Iterator[Entry]:
    """What a row puts into accounts of its own period."""
    if isinstance(row, FrozenCharge):
        one = row.charge
        unit = "" if one.unit is None else one.unit.value
        key = EntryKey(one.printer, one.channel, unit, person(one.owner), one.release.source, one.release.release)
        yield key, one.charged, one.started_us
    elif isinstance(row, FrozenDecision):
        posting, of = row.posting, row.posting.charge
        release = ("", "") if of is None else (of.release.source, of.release.release)
        for account, pages in posting.legs:
            key = EntryKey(posting.printer, posting.channel, posting.unit, account, *release)
            yield key, pages, 0 if of is None else of.started_us
    elif isinstance(row, FrozenLine):
        line = row.accounts
        of_line = (line.printer, line.channel, line.unit)
        yield EntryKey(*of_line, meter_account(line.printer)), -line.counted, 0
        for account in HOUSE_ACCOUNTS:
            yield EntryKey(*of_line, account), line.received[account_kind(account)], 0


def printer_of(row: FrozenRow) -> str | None:
    """The printer of whose accounts it is; None of rows that are of no account of the period."""
    match row:
        case FrozenCharge():
            return row.charge.printer
        case FrozenDecision():
            return row.posting.printer
        case FrozenLine():
            return row.accounts.printer
        case _:
            return None


class Difference:
    """Rows as they stand in a closed period and in what corrects it, and rows of today, in any order; memory in
    proportion to the accounts that hold pages.
    """

    def __init__(self) -> None:
        self._was: dict[EntryKey, int] = {}
        self._now: dict[EntryKey, int] = {}
        self._at_us: dict[EntryKey, int] = {}

    def add_frozen(self, row: FrozenRow) -> None:
        for key, pages, at_us in entries_of(row):
            self._add(self._was, key, pages, at_us)

    def add_correction(self, frozen: FrozenAdjustment) -> None:
        """Of this period, in the rows of a later close."""
        one = frozen.correction.adjustment
        self._add(self._was, one.key, one.pages, one.at_us)

    def add_adjustment(self, one: Adjustment) -> None:
        """One that is known, and is to be left out."""
        self._add(self._was, one.key, one.pages, one.at_us)

    def add_current(self, row: FrozenRow) -> None:
        for key, pages, at_us in entries_of(row):
            self._add(self._now, key, pages, at_us)

    def _add(self, side: dict[EntryKey, int], key: EntryKey, pages: int, at_us: int) -> None:
        if pages:
            side[key] = side.get(key, 0) + pages
            self._at_us[key] = min(at_us, self._at_us.get(key, at_us))

    def adjustments(self) -> list[Adjustment]:
        """In order of printer, channel, unit, account and release."""
        keys = self._was.keys() | self._now.keys()
        found = (Adjustment(key, self._was.get(key, 0), self._now.get(key, 0), self._at_us[key]) for key in keys)
        return sorted(one for one in found if one.pages)


def differences(frozen: Iterable[FrozenRow], current: Iterable[FrozenRow]) -> list[Adjustment]:
    difference = Difference()
    for row in frozen:
        difference.add_frozen(row)
    for row in current:
        difference.add_current(row)
    return difference.adjustments()
