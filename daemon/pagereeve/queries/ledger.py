"""The postings of a period, each with the stretch that it was made of."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.accounts.membership import Received, StretchIndex, received_in
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.ledger import Posting, Stretch
from pagereeve.ports.reads import Reads

BATCH: Final = 1_000


@dataclass(frozen=True, slots=True)
class Entry:
    """A posting with the legs that belong to the period. ``at_us`` lies in the period: the closing, or for a stretch
    over its end the first start in it.
    """

    posting: Posting
    stretch: Stretch | None
    at_us: int


async def entries_of(reads: Reads, period: Period, printer: str | None = None) -> AsyncIterator[Entry]:
    """Of stretches that closed in the period in order of closing, then of those that closed after it.

    ``reads`` should be of one moment. Memory in proportion to BATCH and to the stretches over an edge.
    """
    edges = await _edges(reads, period, printer)
    async for batch in _batches(reads, period, printer):
        index = await _stretches_of(reads, batch, printer)
        for posting in batch:
            edge = edges.get(posting)
            here = posting if edge is None else edge.within(period)
            if here is not None:
                yield Entry(here, index.of(posting), posting.closes_us)
    for entry in _over_an_edge(edges, period):
        yield entry


async def house_entries(held: Reads, period: Period) -> AsyncIterator[Entry]:
    """Those of entries_of of which a house account received pages, in no order. ``held`` is of one moment."""
    edges = await _edges(held, period, None)
    async for posting, stretch in held.house_postings(period.from_us, period.to_us):
        edge = edges.get(posting)
        here = posting if edge is None else edge.within(period)
        if here is not None:
            yield Entry(here, stretch, posting.closes_us)
    for entry in _over_an_edge(edges, period):
        yield entry


def _over_an_edge(edges: Mapping[Posting, Received], period: Period) -> Iterator[Entry]:
    """Of stretches that closed outside of the period."""
    for posting, edge in edges.items():
        here = edge.within(period)
        if here is not None and not period.holds(posting.closes_us):
            yield Entry(here, edge.stretch, min(one.at_us for one in edge.receipts if period.holds(one.at_us)))


async def _edges(reads: Reads, period: Period, printer: str | None) -> Mapping[Posting, Received]:
    """By posting, the stretches that lie over an edge of the period; none of time as a whole."""
    if period.is_always:
        return {}
    return {
        one.posting: one
        for segment in await reads.edge_segments(period.from_us, period.to_us, printer)
        for one in received_in(segment)
        if one.posting is not None and one.lies_over_an_edge_of(period)
    }


async def _batches(reads: Reads, period: Period, printer: str | None) -> AsyncIterator[list[Posting]]:
    batch: list[Posting] = []
    async for posting in reads.postings(period.from_us, period.to_us, printer):
        batch.append(posting)
        if len(batch) == BATCH:
            yield batch
            batch = []
    yield batch


async def _stretches_of(reads: Reads, batch: Sequence[Posting], printer: str | None) -> StretchIndex:
    """One statement for a batch, which is in order of closing."""
    if not batch:
        return StretchIndex()
    from_us, to_us = batch[0].closes_us, batch[-1].closes_us
    if printer is not None:
        return StretchIndex(await reads.stretches(printer, from_us, to_us))
    return StretchIndex(await reads.stretches_posted(from_us, to_us + 1))
