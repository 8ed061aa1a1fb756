"""Soft cuts: an inner rest of a shared bracket at which the count fits the first releases
(domain/README.md, step 4).
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from pagereeve.domain.brackets.allocation import Movement
from pagereeve.domain.brackets.expectation import Expectation, total_of
from pagereeve.domain.brackets.partition import Between, Cut
from pagereeve.domain.brackets.runs import Sample
from pagereeve.domain.brackets.windows import Window
from pagereeve.domain.facts.reading import PrinterState


@dataclass(frozen=True, slots=True)
class BracketPart:
    """A bracket, or a part of one behind a soft cut, with what each of its releases should count."""

    opening: Cut
    closing: Cut
    windows: tuple[Window, ...]
    expectations: tuple[Expectation, ...]
    inferred: bool = False

    @property
    def counted(self) -> int:
        return self.closing.total - self.opening.total


@dataclass(frozen=True, slots=True)
class _InnerRest:
    level: Cut
    readings: int
    idle: bool


def split_shared(channel: str, between: Between, expectations: Sequence[Expectation]) -> list[BracketPart]:
    """The bracket's parts, in order; a single one where no inner rest separates its releases."""
    rest = BracketPart(between.opening, between.closing, between.windows, tuple(expectations))
    if len(between.windows) == 1:
        return [rest]
    parts: list[BracketPart] = []
    for inner in inner_rests(channel, between):
        first = _fitting(rest, inner)
        if first is None:
            continue
        parts.append(
            BracketPart(rest.opening, inner.level, rest.windows[:first], rest.expectations[:first], inferred=True)
        )
        rest = BracketPart(inner.level, rest.closing, rest.windows[first:], rest.expectations[first:], inferred=True)
    return [*parts, rest]


def _fitting(rest: BracketPart, inner: _InnerRest) -> int | None:
    """How many of the first releases the count so far belongs to; None where none fits, or more than one does."""
    if inner.readings < 2 or not inner.idle:
        return None
    counted = inner.level.total - rest.opening.total
    fits = [
        first
        for first in range(1, len(rest.windows))
        if all(_ended_by(window, inner.level.to_us) for window in rest.windows[:first])
        and total_of([one.count for one in rest.expectations[:first]]).holds(counted)
    ]
    return fits[0] if len(fits) == 1 else None


def _ended_by(window: Window, at_us: int) -> bool:
    return window.release.end_us is not None and window.release.end_us <= at_us


def inner_samples(channel: str, between: Between) -> list[Sample]:
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


def inner_rests(channel: str, between: Between) -> Iterator[_InnerRest]:
    rest: _InnerRest | None = None
    for sample in inner_samples(channel, between):
        here = _rest(channel, between, sample)
        if rest is not None and rest.level.total == here.level.total:
            level = Cut(here.level.run, here.level.count, here.level.total, rest.level.from_us, here.level.to_us)
            rest = _InnerRest(level, rest.readings + here.readings, rest.idle or here.idle)
            continue
        if rest is not None:
            yield rest
        rest = here
    if rest is not None:
        yield rest


def _rest(channel: str, between: Between, sample: Sample) -> _InnerRest:
    plateau, total, count = sample.plateau, sample.total(channel), sample.plateau.sight.count(channel)
    if total is None or count is None:
        raise ValueError(f"the sample does not carry {channel}")
    from_us = max(plateau.first_received_us, between.opening.to_us)
    to_us = min(max(from_us, plateau.last_sent_us), between.closing.from_us)
    level = Cut(between.opening.run, count, total, from_us, to_us)
    return _InnerRest(level, plateau.count, plateau.sight.state is PrinterState.IDLE)


def movements_in(channel: str, part: BracketPart) -> list[Movement]:
    """What moved between the part's neighbouring readings, and which windows were open then."""
    between = Between(part.opening, part.closing, part.windows)
    steps = [(part.opening.to_us, part.opening.total)]
    for inner in inner_rests(channel, between):
        steps += [(inner.level.from_us, inner.level.total), (inner.level.to_us, inner.level.total)]
    steps.append((part.closing.from_us, part.closing.total))
    movements: list[Movement] = []
    for (from_us, before), (to_us, after) in pairwise(steps):
        if after > before:
            movers = tuple(
                index
                for index, window in enumerate(part.windows)
                if window.opens_us < to_us and (window.closes_us is None or window.closes_us > from_us)
            )
            movements.append(Movement(after - before, movers))
    return movements
