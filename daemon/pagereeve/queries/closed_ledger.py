"""The entries of a closed period, from its frozen rows: who received pages, not between which readings."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass

from pagereeve.domain.accounts.frozen import FrozenCharge, FrozenDecision, FrozenHouse
from pagereeve.ports.closing import ClosedPeriod
from pagereeve.ports.reads import Reads
from pagereeve.queries.adjustments import changed_since
from pagereeve.queries.as_closed import AsClosed, pages_changed

ClosedEntry = FrozenHouse | FrozenDecision | FrozenCharge


@dataclass(frozen=True, slots=True)
class ClosedLedger:
    """``entries`` may be gone through once, while the reads stand at their moment: what house accounts received each
    day, what decisions moved, and a release's charge in each channel; no stretch is known.
    """

    as_closed: AsClosed
    entries: AsyncIterator[ClosedEntry]


async def closed_ledger(held: Reads, closed: ClosedPeriod, printer: str | None = None) -> ClosedLedger:
    """Of one printer, or of all."""
    adjustments = [one for one in await changed_since(held, closed) if printer in {None, one.key.printer}]
    as_closed = AsClosed(closed, pages_changed(adjustments), ("stretches",))
    return ClosedLedger(as_closed, _entries(held, closed, printer))


async def _entries(held: Reads, closed: ClosedPeriod, printer: str | None) -> AsyncIterator[ClosedEntry]:
    async for row in held.frozen_rows(closed):
        if isinstance(row, ClosedEntry) and printer in {None, printer_of(row)}:
            yield row


def printer_of(row: ClosedEntry) -> str:
    match row:
        case FrozenHouse():
            return row.printer
        case FrozenDecision():
            return row.posting.printer
        case FrozenCharge():
            return row.charge.printer
