"""The postings of a period, each with the stretch that it was made of."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator, Mapping, Sequence
from dataclasses import dataclass

from pagereeve.domain.accounts.ledger_rows import LedgerRow, ledger_row
from pagereeve.domain.accounts.membership import Received, place_of, received_in
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.ledger import Posting, Stretch
from pagereeve.ports.reads import Reads


@dataclass(frozen=True, slots=True)
class Entry:
    """A posting with the legs that belong to the period. ``at_us`` lies in it, as ``rows_of`` says."""

    posting: Posting
    stretch: Stretch | None
    at_us: int


async def rows_of(reads: Reads, period: Period, printer: str | None = None) -> AsyncIterator[Sequence[LedgerRow]]:
    """Of stretches that closed in the period in order of closing, then of those that closed after it; some at a time.

    Each has the legs that belong to the period, and is dated in it: by its closing, or for a stretch over the period's
    end by the first start in it. ``reads`` must be of one moment. Memory in proportion to a page and to the stretches
    over an edge.
    """
    edges = await _edges(reads, period, printer)
    near = frozenset(map(place_of, edges))
    async for page in reads.ledger_rows(period.from_us, period.to_us, printer):
        shown = (row if row[:5] not in near else _here(row, edges, period) for row in page)
        yield [row for row in shown if row is not None] if near else page
    yield [ledger_row(one.posting, one.stretch, one.at_us) for one in _over_an_edge(edges, period)]


def _here(row: LedgerRow, edges: Mapping[Posting, Received], period: Period) -> LedgerRow | None:
    """None where nothing of it belongs to the period."""
    edge = edges.get(row.posting)
    if edge is None:
        return row
    posting = edge.within(period)
    return None if posting is None else row._replace(legs=posting.legs)


async def house_entries(held: Reads, period: Period) -> AsyncIterator[Entry]:
    """Those of rows_of of which a house account received pages, in no order. ``held`` is of one moment."""
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
