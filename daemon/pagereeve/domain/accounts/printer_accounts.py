"""Where the pages of each printer went: what its meter gave, and what people and the house received.

From the postings of stretches that closed in the period; so it need not agree with totals of releases that *started*
in it, where a bracket lies across the edge.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from pagereeve.domain.ledger import ACCOUNT_KINDS, HOUSE_KINDS, METER, PEOPLE, Posting, account_kind


@dataclass(slots=True)
class PrinterAccounts:
    """One printer and channel. ``counted`` is what the meter gave; ``shortfall`` is a negative receipt."""

    printer: str
    channel: str
    counted: int = 0
    received: dict[str, int] = field(default_factory=lambda: dict.fromkeys(ACCOUNT_KINDS, 0))

    @property
    def people(self) -> int:
        return self.received[PEOPLE]

    @property
    def house(self) -> int:
        return sum(self.received[kind] for kind in HOUSE_KINDS)

    @property
    def conserved(self) -> bool:
        """What was counted is what people and the house received."""
        return self.counted == self.people + self.house

    def add(self, posting: Posting) -> None:
        for account, pages in posting.legs:
            kind = account_kind(account)
            if kind == METER:
                self.counted -= pages
            else:
                self.received[kind] = self.received.get(kind, 0) + pages


class Accounts:
    def __init__(self) -> None:
        self._lines: dict[tuple[str, str], PrinterAccounts] = {}

    def add(self, posting: Posting) -> None:
        key = (posting.printer, posting.channel)
        line = self._lines.get(key)
        if line is None:
            line = self._lines[key] = PrinterAccounts(*key)
        line.add(posting)

    def add_all(self, postings: Iterable[Posting]) -> Accounts:
        for posting in postings:
            self.add(posting)
        return self

    def lines(self) -> list[PrinterAccounts]:
        return [self._lines[key] for key in sorted(self._lines)]
