"""What the ledger says of a closed period today beside what was frozen: differences, which balance as both sides do."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from pagereeve.domain.accounts.frozen import FrozenCharge, FrozenDecision, FrozenLine, FrozenRow
from pagereeve.domain.ledger import HOUSE_ACCOUNTS, account_kind, meter_account, person


@dataclass(frozen=True, slots=True, order=True)
class EntryKey:
    """An account's pages of one printer, channel and unit; for people of one release, else that is ("", "")."""

    printer: str
    channel: str
    unit: str
    account: str
    source: str = ""
    release: str = ""


@dataclass(frozen=True, slots=True, order=True)
class Adjustment:
    """``was`` stands in the closed period, ``now`` would stand there if it were open. Of a meter both are below 0: it
    gives what the accounts receive.
    """

    key: EntryKey
    was: int
    now: int

    @property
    def pages(self) -> int:
        return self.now - self.was


def entries_of(row: FrozenRow) -> Iterator[tuple[EntryKey, int]]:
    """What a row puts into accounts."""
    if isinstance(row, FrozenCharge):
        one = row.charge
        unit = "" if one.unit is None else one.unit.value
        key = EntryKey(one.printer, one.channel, unit, person(one.owner), one.release.source, one.release.release)
        yield key, one.charged
    elif isinstance(row, FrozenDecision):
        posting, of = row.posting, row.posting.charge
        release = ("", "") if of is None else (of.release.source, of.release.release)
        for account, pages in posting.legs:
            yield EntryKey(posting.printer, posting.channel, posting.unit, account, *release), pages
    elif isinstance(row, FrozenLine):
        line = row.accounts
        of_line = (line.printer, line.channel, line.unit)
        yield EntryKey(*of_line, meter_account(line.printer)), -line.counted
        for account in HOUSE_ACCOUNTS:
            yield EntryKey(*of_line, account), line.received[account_kind(account)]


class Difference:
    """First all frozen rows, then all rows of today; memory in proportion to the accounts that hold pages."""

    def __init__(self) -> None:
        self._was: dict[EntryKey, int] = {}
        self._now: dict[EntryKey, int] = {}

    def add_frozen(self, row: FrozenRow) -> None:
        for key, pages in entries_of(row):
            if pages:
                self._was[key] = self._was.get(key, 0) + pages

    def add_current(self, row: FrozenRow) -> None:
        for key, pages in entries_of(row):
            if pages:
                self._now[key] = self._now.get(key, 0) + pages

    def adjustments(self) -> list[Adjustment]:
        """In order of printer, channel, unit, account and release."""
        keys = self._was.keys() | self._now.keys()
        found = (Adjustment(key, self._was.get(key, 0), self._now.get(key, 0)) for key in keys)
        return sorted(one for one in found if one.pages)


def differences(frozen: Iterable[FrozenRow], current: Iterable[FrozenRow]) -> list[Adjustment]:
    difference = Difference()
    for row in frozen:
        difference.add_frozen(row)
    for row in current:
        difference.add_current(row)
    return difference.adjustments()
