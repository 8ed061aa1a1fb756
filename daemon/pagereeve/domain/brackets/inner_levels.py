"""Bracket parts, and the counts that were read inside them."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from pagereeve.domain.brackets.expectation import Expectation, total_of
from pagereeve.domain.brackets.functions import Apart
from pagereeve.domain.brackets.partition import Between, Cut
from pagereeve.domain.brackets.rests import is_idle, known_until_us
from pagereeve.domain.brackets.runs import Sample
from pagereeve.domain.brackets.windows import Window
from pagereeve.domain.ledger import Interval
from pagereeve.domain.values.records import dataclass

Span = tuple[int, int]


@dataclass(frozen=True, slots=True)
class BracketPart:
    """A bracket, or a part of one between inner cuts, with what each of its releases should count.

    A part without a release lies between two inner cuts: its pages are nobody's. ``bounds``: so many of the first
    releases, and so many pages, lie before a rest that is an end by all that is known of the printer, though it left
    those releases short. ``apart``: how the meter counts other functions apart, whose pages are not in ``counted``.
    ``by_job``: the printer's own jobs prove one of its ends.
    """

    opening: Cut
    closing: Cut
    windows: tuple[Window, ...]
    expectations: tuple[Expectation, ...]
    inferred: bool = False
    bounds: tuple[int, int] | None = None
    apart: Apart | None = None
    by_job: bool = False

    @property
    def counted(self) -> int:
        return self.closing.net - self.opening.net

    @property
    def others(self) -> int:
        """Pages that other functions made."""
        return self.closing.others - self.opening.others

    @property
    def expected(self) -> Interval:
        return total_of([one.count for one in self.expectations])


@dataclass(frozen=True, slots=True)
class InnerLevel:
    """A count inside a bracket, how often it was read there, and when the meter stood idle at it."""

    level: Cut
    readings: int
    idle: tuple[Span, ...]

    def idle_us(self, from_us: int, to_us: int) -> int:
        """The longest idle part between two instants."""
        return max((min(until, to_us) - max(since, from_us) for since, until in self.idle), default=0)

    def rested_us(self, from_us: int, to_us: int) -> int:
        """The longest idle part behind the first instant that began before the second."""
        return max((until - max(since, from_us) for since, until in self.idle if since < to_us), default=0)


def inner_samples(channel: str, between: Between | BracketPart) -> list[Sample]:
    """The bracket's readings behind its opening cut and before its closing one."""
    samples = between.opening.run.samples
    first = max(0, bisect_right(samples, between.opening.from_us, key=_begins_us) - 1)
    last = bisect_left(samples, between.closing.from_us, key=_begins_us)
    return [
        sample
        for sample in samples[first:last]
        if between.opening.to_us < sample.plateau.last_sent_us and sample.total(channel) is not None
    ]


def _begins_us(sample: Sample) -> int:
    return sample.plateau.first_received_us


def inner_levels(channel: str, between: Between | BracketPart, apart: Apart | None = None) -> list[InnerLevel]:
    """Counts inside a stretch, in order; where functions are counted apart, without those at which one counter had
    stepped and another not yet.
    """
    levels: list[InnerLevel] = []
    going_on = False
    for sample in inner_samples(channel, between):
        others = 0 if apart is None else apart.at(sample)
        if others is None:
            continue
        here = _level(channel, between, sample, others)
        if levels and levels[-1].level.total == here.level.total:
            levels[-1] = _joined(levels[-1], here, sample, going_on=going_on)
        else:
            levels.append(here)
        going_on = bool(here.idle)
    return levels if apart is None else _in_step(levels, between)


def _in_step(levels: Sequence[InnerLevel], between: Between | BracketPart) -> list[InnerLevel]:
    """Levels whose figures lie between those of the levels on both sides."""
    kept: list[InnerLevel] = []
    net, others = between.closing.net, between.closing.others
    for inner in reversed(levels):
        here = inner.level
        if between.opening.net <= here.net <= net and between.opening.others <= here.others <= others:
            kept.append(inner)
            net, others = here.net, here.others
    return kept[::-1]


def _joined(level: InnerLevel, here: InnerLevel, sample: Sample, *, going_on: bool) -> InnerLevel:
    """The level with another plateau of the same count; ``going_on``: what was idle before it still is."""
    to_us = max(level.level.from_us, min(here.level.to_us, known_until_us(level.level.from_us, sample.plateau)))
    idle = level.idle
    if here.idle and going_on and idle:
        since_us = idle[-1][0]
        idle = (*idle[:-1], (since_us, max(since_us, min(to_us, known_until_us(since_us, sample.plateau)))))
    else:
        idle += here.idle
    joined = replace(level.level, to_us=to_us, others=here.level.others)
    return InnerLevel(joined, level.readings + here.readings, idle)


def _level(channel: str, between: Between | BracketPart, sample: Sample, others: int) -> InnerLevel:
    plateau, total, count = sample.plateau, sample.total(channel), sample.plateau.sight.count(channel)
    if total is None or count is None:
        raise ValueError(f"the sample does not carry {channel}")
    from_us = max(plateau.first_received_us, between.opening.to_us)
    to_us = min(known_until_us(from_us, plateau), between.closing.from_us)
    level = Cut(between.opening.run, count, total, from_us, to_us, others)
    return InnerLevel(level, plateau.count, ((from_us, to_us),) if is_idle(plateau) else ())


def steps_in(channel: str, part: BracketPart) -> list[tuple[int, int, int]]:
    """(from_us, to_us, pages): what moved between the part's neighbouring readings, without other functions."""
    steps = [(part.opening.to_us, part.opening.net)]
    for inner in inner_levels(channel, part, part.apart):
        steps += [(inner.level.from_us, inner.level.net), (inner.level.to_us, inner.level.net)]
    steps.append((part.closing.from_us, part.closing.net))
    return [(from_us, to_us, after - before) for (from_us, before), (to_us, after) in pairwise(steps) if after > before]


def movers_between(part: BracketPart, from_us: int, to_us: int) -> tuple[int, ...]:
    """Indexes of the releases whose windows were open then."""
    return tuple(
        index
        for index, window in enumerate(part.windows)
        if window.opens_us < to_us and (window.closes_us is None or window.closes_us > from_us)
    )
