"""Closed periods in the store: what was frozen, and how a period is closed."""

from __future__ import annotations

from collections.abc import AsyncIterator, Collection, Sequence
from dataclasses import dataclass
from typing import Protocol

from pagereeve.domain.accounts.frozen import FrozenRow
from pagereeve.domain.ledger import RowSegment
from pagereeve.domain.values.errors import PagereeveError

CLOSED_MAX = 10_000
"""As many periods may be closed: days, for 27 years."""


class NotClosed(PagereeveError):
    """A period can't be closed, or what was frozen can't be read: says why, and what to do."""


class Hindered(NotClosed):
    """Something stands in the way, and nobody gave a reason for closing it all the same. ``hindrances`` are sentences
    for people, without their full stops.
    """

    def __init__(self, text: str, hindrances: Sequence[str]) -> None:
        super().__init__(text)
        self.hindrances = tuple(hindrances)


@dataclass(frozen=True, slots=True)
class Closing:
    """A period that is to be closed; the members are those of domain.facts.closed.PeriodClosed."""

    name: str
    zone: str
    database: str
    from_us: int
    to_us: int
    at_us: int
    by: str
    reason: str
    journal: str
    size: int
    head: str
    version: int


@dataclass(frozen=True, slots=True)
class ClosedPeriod:
    """``rows`` and ``sha256`` are of the frozen rows as they were; ``erased_sha256`` of those since names of erased
    persons were taken out of them, "" where none were.
    """

    closing: Closing
    rows: int
    sha256: str
    erased_sha256: str = ""

    @property
    def name(self) -> str:
        return self.closing.name

    @property
    def sha256_now(self) -> str:
        return self.erased_sha256 or self.sha256


@dataclass(frozen=True, slots=True)
class Touch:
    """Rows of a printer in the closed period ``period`` were written since a close took what had changed; "": somebody
    decided about pages of the printer. A later note has a greater number.
    """

    period: str
    printer: str
    number: int


@dataclass(frozen=True, slots=True)
class ClosingAttempt:
    """The instants [from_us, to_us) are being closed under a name; ``attempt`` is of this one alone."""

    name: str
    from_us: int
    to_us: int
    attempt: str


class PackedRows(Protocol):
    """A period's frozen rows, as they are kept. ``sha256`` is of the rows, before they were packed into ``parts``."""

    @property
    def rows(self) -> int: ...

    @property
    def sha256(self) -> str: ...

    @property
    def parts(self) -> Sequence[bytes]: ...


class ClosedReads(Protocol):
    async def closed_periods(self) -> Sequence[ClosedPeriod]:
        """In order of time; never more than CLOSED_MAX."""
        ...

    def frozen_rows(self, closed: ClosedPeriod, printers: Collection[str] | None = None) -> AsyncIterator[FrozenRow]:
        """In the order in which they were frozen; with ``printers``, lines, edges, house receipts and charges of these
        alone. Raises NotClosed at the end where they, or the others, are not what was frozen.
        """
        ...

    async def closed_touched(self) -> Sequence[Touch]:
        """In order of their numbers: whatever is not named here is as the closes have it."""
        ...

    async def period_segments(self, printer: str, from_us: int, to_us: int) -> Sequence[RowSegment]:
        """A printer's segments with a charge that started, or a stretch that closed, in [from_us, to_us)."""
        ...

    async def timeline_heads(self) -> Sequence[tuple[str, int]]:
        """Each timeline with facts ("" is the site) and the number of its last, in order of their names."""
        ...

    async def first_pages_us(self) -> int | None:
        """The first instant by which any pages belong to a period; None without any."""
        ...


class PeriodCloser(Protocol):
    """A period is closed from ``begin_closing``, before anything is looked at, to one of the others."""

    async def begin_closing(self, name: str, from_us: int, to_us: int) -> ClosingAttempt:
        """From now on a Touch is noted of what is written in it, as if it were closed. What an attempt before left is
        removed; one that goes on elsewhere is told at its next step. Raises JournalUnavailable.
        """
        ...

    async def give_up_closing(self, attempt: ClosingAttempt) -> None:
        """Remove what it stored. Where that can't be done now, the next attempt or start does it."""
        ...

    async def close_period(
        self, closing: Closing, rows: AsyncIterator[FrozenRow], touched: int = 0, attempt: ClosingAttempt | None = None
    ) -> ClosedPeriod:
        """Freeze the rows, with a PeriodClosed as the next fact of the site: others write in between, and the period is
        closed with the last of it, or not at all. What Touch up to the number ``touched`` stands for is among the rows,
        and is noted no more. Without an ``attempt`` one begins here.

        Raises NotClosed where a period of that name is closed or shares an instant with it, and where since the attempt
        began another did, another period was closed, or a person was erased; JournalUnavailable.
        """
        ...

    async def close_packed(
        self, closing: Closing, packed: PackedRows, touched: int = 0, attempt: ClosingAttempt | None = None
    ) -> ClosedPeriod:
        """The same with rows that were packed elsewhere."""
        ...
