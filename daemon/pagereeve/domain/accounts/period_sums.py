"""The sums that a period's accounts are made of; here of rows in memory, as ports.reads gives them of stored ones."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from pagereeve.domain.accounts.totals import Total, Totals
from pagereeve.domain.ledger import RowSegment, Stretch, is_house

ChargesBy = Literal["person", "printer"]


@dataclass(frozen=True, slots=True)
class MeterSum:
    """What one run of a printer's meter counted in stretches that closed in a period.

    ``first`` and ``last`` are its figures where the earliest of them opened and the latest closed.
    """

    printer: str
    run: int
    channel: str
    unit: str
    first: int | None
    last: int | None
    counted: int


@dataclass(frozen=True, slots=True)
class HouseSum:
    """What a house account received of one run, in stretches that closed in a period."""

    printer: str
    run: int
    channel: str
    account: str
    pages: int


@dataclass(frozen=True, slots=True)
class PeriodSums:
    """What a period's accounts are made of. ``by_printer`` adds up charges of releases started in it; ``meters``, in
    order of run, and ``house`` go by closing; ``edges`` are the segments in which that makes a difference.
    """

    by_printer: tuple[Total, ...] = ()
    meters: tuple[MeterSum, ...] = ()
    house: tuple[HouseSum, ...] = ()
    edges: tuple[RowSegment, ...] = ()


def sums_of(segments: Iterable[RowSegment], from_us: int, to_us: int) -> PeriodSums:
    known = list(segments)
    return PeriodSums(
        tuple(charge_totals("printer", known, from_us, to_us)),
        tuple(meter_sums(known, from_us, to_us)),
        tuple(house_sums(known, from_us, to_us)),
        tuple(edge_segments(known, from_us, to_us)),
    )


def charge_totals(by: ChargesBy, segments: Iterable[RowSegment], from_us: int, to_us: int) -> list[Total]:
    """Of releases that started in [from_us, to_us)."""
    charges = (charge for segment in segments for charge in segment.charges)
    return Totals(by).add_all(one for one in charges if from_us <= one.started_us < to_us).lines()


def meter_sums(segments: Iterable[RowSegment], from_us: int, to_us: int) -> list[MeterSum]:
    """Of stretches that closed in [from_us, to_us), in order of printer, run and channel."""
    runs: dict[tuple[str, int, str, str], list[Stretch]] = {}
    for stretch in (one for segment in segments for one in segment.stretches):
        if from_us <= stretch.closes_us < to_us:
            key = (stretch.printer, stretch.run, stretch.channel, stretch.unit.value)
            runs.setdefault(key, []).append(stretch)
    return [_meter_sum(*key, stretches) for key, stretches in sorted(runs.items())]


def _meter_sum(printer: str, run: int, channel: str, unit: str, stretches: Sequence[Stretch]) -> MeterSum:
    ordered = sorted(stretches, key=lambda one: (one.opens_us, one.closes_us))
    return MeterSum(
        printer, run, channel, unit, ordered[0].before, ordered[-1].after, sum(one.counted for one in stretches)
    )


def house_sums(segments: Iterable[RowSegment], from_us: int, to_us: int) -> list[HouseSum]:
    """Of postings that closed in [from_us, to_us), in order of printer, run, channel and account."""
    sums: dict[tuple[str, int, str, str], int] = {}
    for posting in (one for segment in segments for one in segment.postings):
        if from_us <= posting.closes_us < to_us:
            for account, pages in posting.legs:
                if is_house(account):
                    key = (posting.printer, posting.run, posting.channel, account)
                    sums[key] = sums.get(key, 0) + pages
    return [HouseSum(*key, pages) for key, pages in sorted(sums.items())]


def edge_segments(segments: Iterable[RowSegment], from_us: int, to_us: int) -> list[RowSegment]:
    """Segments with a charge that started, or a stretch that closed, in [from_us, to_us), and another that did not."""
    return [one for one in segments if _lies_over_an_edge(one, from_us, to_us)]


def _lies_over_an_edge(segment: RowSegment, from_us: int, to_us: int) -> bool:
    starts = {from_us <= one.started_us < to_us for one in segment.charges}
    closings = {from_us <= one.closes_us < to_us for one in segment.stretches}
    return (True in starts and False in closings) or (True in closings and False in starts)
