"""Which pages belong to which period, by one rule for persons, for house accounts and for printers.

A release belongs to the period in which its window opened (its start); a gap's pages to that in which the
gap closed. So of a bracket that lies over the edge of a period each charge goes by its own start, and what accounts
of the site received goes by the first start of all.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.ledger import (
    Charge,
    Posting,
    ReleaseKey,
    RowSegment,
    Stretch,
    is_house,
    is_meter,
    meter_account,
    person,
)

Place = tuple[str, int, str, int, int]
"""Printer, run, channel and the two cuts."""


@dataclass(frozen=True, slots=True)
class Receipt:
    """Pages that an account received, and the instant by which they belong to a period."""

    account: str
    pages: int
    at_us: int


@dataclass(frozen=True, slots=True)
class Received:
    """A stretch with its posting (None: nobody received anything), and who received its pages."""

    stretch: Stretch
    posting: Posting | None
    receipts: tuple[Receipt, ...]

    def pages_in(self, period: Period) -> int:
        return sum(one.pages for one in self.receipts if period.holds(one.at_us))

    def lies_over_an_edge_of(self, period: Period) -> bool:
        """Not all of its pages belong where the meter counted them: one end of the period lies in it."""
        counted_in = period.holds(self.stretch.closes_us)
        return any(period.holds(one.at_us) is not counted_in for one in self.receipts)

    def within(self, period: Period) -> Posting | None:
        """The posting with the legs that belong to the period: the meter gives what these receive."""
        legs: dict[str, int] = {}
        for one in self.receipts:
            if period.holds(one.at_us):
                legs[one.account] = legs.get(one.account, 0) + one.pages
        kept = sorted((account, pages) for account, pages in legs.items() if pages)
        if self.posting is None or not kept:
            return None
        given = sum(pages for _, pages in kept)
        meter = ((meter_account(self.posting.printer), -given),) if given else ()
        return replace(self.posting, legs=(*meter, *kept))


class StretchIndex:
    """Finds the stretch that a posting was made of: both name printer, run, channel and the two cuts."""

    def __init__(self, stretches: Iterable[Stretch] = ()) -> None:
        self._known: dict[Place, list[Stretch]] = {}
        for stretch in stretches:
            self._known.setdefault(place_of(stretch), []).append(stretch)

    def of(self, posting: Posting) -> Stretch | None:
        given = -sum(pages for account, pages in posting.legs if is_meter(account))
        known = self._known.get(place_of(posting), [])
        return next((one for one in known if one.counted == given), None)


def place_of(row: Stretch | Posting) -> Place:
    return (row.printer, row.run, row.channel, row.opens_us, row.closes_us)


def received_in(segment: RowSegment) -> Iterator[Received]:
    """Every stretch of a segment that somebody received pages of. A bracket's rows all lie in one segment."""
    index, charges = StretchIndex(segment.stretches), _ChargeIndex(segment.charges)
    for posting in segment.postings:
        stretch = index.of(posting)
        if stretch is not None:
            yield Received(stretch, posting, tuple(_receipts(stretch, posting, charges.of(stretch))))


def charges_by_stretch(segment: RowSegment) -> Iterator[tuple[Stretch, Sequence[Charge]]]:
    """Every stretch of a segment with the charges of its releases."""
    charges = _ChargeIndex(segment.charges)
    for stretch in segment.stretches:
        yield stretch, charges.of(stretch)


def _receipts(stretch: Stretch, posting: Posting, charges: Sequence[Charge]) -> Iterator[Receipt]:
    first_us = min((one.started_us for one in charges), default=stretch.closes_us)
    for account, pages in posting.legs:
        if is_house(account):
            yield Receipt(account, pages, first_us)
    for charge in charges:
        if charge.charged:
            yield Receipt(person(charge.owner), charge.charged, charge.started_us)


class _ChargeIndex:
    def __init__(self, charges: Iterable[Charge]) -> None:
        self._known: dict[tuple[str, ReleaseKey], list[Charge]] = {}
        for charge in charges:
            self._known.setdefault((charge.channel, charge.release), []).append(charge)

    def of(self, stretch: Stretch) -> list[Charge]:
        """Those of its releases. A name may be used again, also within one bracket; and a stretch in which a run ended
        has several rows, of which the last one carries the charges: so those that closed next are meant.
        """
        found: list[Charge] = []
        for key in dict.fromkeys(stretch.releases):
            known = [(one.closed_us, one) for one in self._known.get((stretch.channel, key), ())]
            closings = [at_us for at_us, _ in known if at_us is not None and at_us >= stretch.closes_us]
            found += [one for at_us, one in known if closings and at_us == min(closings)]
        return found
