"""The sums that a period's accounts are made of; here of rows in memory, as ports.reads gives them of stored ones."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from pagereeve.domain.accounts.membership import charges_by_stretch
from pagereeve.domain.accounts.totals import Total, Totals
from pagereeve.domain.ledger import Posting, RowSegment, Stretch, is_house

ChargesBy = Literal["person", "printer"]
RunOfChannel = tuple[str, int, str]
"""Printer, run, channel."""
Span = tuple[int, int]
"""The instants [from_us, to_us)."""


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
    """What a house account received of one run, in stretches that closed in a period.

    ``unit`` is empty unless these stretches of the run and channel are of several: it became known meanwhile.
    """

    printer: str
    run: int
    channel: str
    account: str
    pages: int
    unit: str = ""


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
    known = list(segments)
    units = {_stretch_key(one): one.unit.value for segment in known for one in segment.stretches}
    several = mixed_runs(meter_sums(known, from_us, to_us))
    sums: dict[tuple[RunOfChannel, str, str], int] = {}
    for posting in (one for segment in known for one in segment.postings):
        if from_us <= posting.closes_us < to_us:
            run = (posting.printer, posting.run, posting.channel)
            unit = units.get(_stretch_key(posting), "") if run in several else ""
            for account, pages in posting.legs:
                if is_house(account):
                    sums[run, account, unit] = sums.get((run, account, unit), 0) + pages
    return [HouseSum(*run, account, pages, unit) for (run, account, unit), pages in sorted(sums.items())]


def mixed_runs(meters: Iterable[MeterSum]) -> set[RunOfChannel]:
    """Those with stretches of several units, by printer, run and channel."""
    seen: set[RunOfChannel] = set()
    mixed: set[RunOfChannel] = set()
    for meter in meters:
        run = (meter.printer, meter.run, meter.channel)
        (mixed if run in seen else seen).add(run)
    return mixed


def _stretch_key(one: Stretch | Posting) -> tuple[str, int, str, int, int]:
    return (one.printer, one.run, one.channel, one.opens_us, one.closes_us)


def edge_segments(segments: Iterable[RowSegment], from_us: int, to_us: int) -> list[RowSegment]:
    """Segments with a stretch that closed in [from_us, to_us) and a charge of it that started outside, or the other
    way round.
    """
    return [one for one in segments if lies_over_an_edge(one, from_us, to_us)]


def lies_over_an_edge(segment: RowSegment, from_us: int, to_us: int) -> bool:
    return any(
        (from_us <= charge.started_us < to_us) is not (from_us <= stretch.closes_us < to_us)
        for stretch, charges in charges_by_stretch(segment)
        for charge in charges
    )
