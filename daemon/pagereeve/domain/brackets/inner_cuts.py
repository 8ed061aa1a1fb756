"""Inner cuts: rests inside a shared bracket that split it, by time and by count (domain/README.md, step 4)."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate, pairwise

from pagereeve.domain.brackets.allocation import Movement
from pagereeve.domain.brackets.expectation import Expectation, total_of
from pagereeve.domain.brackets.partition import Between, Cut
from pagereeve.domain.brackets.rests import PROOF_REST_US, is_idle, known_until_us
from pagereeve.domain.brackets.runs import Sample
from pagereeve.domain.brackets.windows import Window
from pagereeve.domain.ledger import Interval

Span = tuple[int, int]


@dataclass(frozen=True, slots=True)
class BracketPart:
    """A bracket, or a part of one between inner cuts, with what each of its releases should count.

    A part without a release lies between two inner cuts: its pages are nobody's. ``bounds``: so many of the first
    releases, and so many pages, lie before a rest that is an end by all that is known of the printer, though it left
    those releases short. ``by_job``: the printer's own jobs prove one of its ends.
    """

    opening: Cut
    closing: Cut
    windows: tuple[Window, ...]
    expectations: tuple[Expectation, ...]
    inferred: bool = False
    bounds: tuple[int, int] | None = None
    by_job: bool = False

    @property
    def counted(self) -> int:
        return self.closing.total - self.opening.total


@dataclass(frozen=True, slots=True)
class InnerLevel:
    """A count inside a bracket, how often it was read there, and when the meter stood idle at it."""

    level: Cut
    readings: int
    idle: tuple[Span, ...]

    def idle_us(self, from_us: int, to_us: int) -> int:
        """The longest idle part between two instants."""
        return max((min(until, to_us) - max(since, from_us) for since, until in self.idle), default=0)


@dataclass(frozen=True, slots=True)
class _InnerCut:
    """A level that lies behind the first ``releases`` of a bracket, and before the others."""

    releases: int
    level: Cut
    bounds_only: bool = False


def split_shared(channel: str, between: Between, expectations: Sequence[Expectation]) -> list[BracketPart]:
    """The bracket's parts, in order; a single one where no inner rest separates its releases."""
    whole = BracketPart(between.opening, between.closing, between.windows, tuple(expectations))
    if len(between.windows) == 1:
        return [whole]
    levels = list(inner_levels(channel, between))
    by_time = _parts(whole, _by_time(whole, levels))
    return [part for one in by_time for part in _parts(one, _by_count(one, levels))]


def _parts(part: BracketPart, cuts: Sequence[_InnerCut]) -> list[BracketPart]:
    """The part, split at cuts in their order."""
    ends = [(one.releases, one.level) for one in cuts if not one.bounds_only]
    parts: list[BracketPart] = []
    first, opening = 0, part.opening
    for releases, level in [*ends, (len(part.windows), part.closing)]:
        bounds = next(
            (
                (one.releases - first, one.level.total - opening.total)
                for one in cuts
                if one.bounds_only and first < one.releases < releases
            ),
            None,
        )
        windows, expectations = part.windows[first:releases], part.expectations[first:releases]
        if windows or level.total != opening.total:
            inferred = part.inferred or bool(ends)
            parts.append(BracketPart(opening, level, windows, expectations, inferred, bounds or part.bounds))
        first, opening = releases, level
    return parts


def _by_time(whole: BracketPart, levels: Sequence[InnerLevel]) -> list[_InnerCut]:
    """Rests behind the end of the first releases, before any later one could move the meter."""
    if not all(window.release.state_believed for window in whole.windows):
        return []
    cuts: list[_InnerCut] = []
    first, opening = 0, whole.opening
    ends_us = list(accumulate((_end_us(window) for window in whole.windows), max))
    for until in range(1, len(whole.windows)):
        done_us, next_us = ends_us[until - 1], whole.windows[until].opens_us
        near = _near(levels, done_us, next_us)
        if not near:
            continue
        windows, expectations = whole.windows[first:until], whole.expectations[first:until]
        so_far = replace(whole, opening=opening, windows=windows, expectations=expectations)
        for level in chosen_levels(so_far, [one.level for one in near if _lasts(so_far, one, done_us, next_us)]):
            short = level.total - opening.total < _expected(so_far).least
            clipped = replace(level, from_us=max(level.from_us, done_us), to_us=min(level.to_us, next_us))
            cuts.append(_InnerCut(until, clipped, short))
        if cuts and cuts[-1].releases == until and not cuts[-1].bounds_only:
            first, opening = until, cuts[-1].level
    return cuts


def _near(levels: Sequence[InnerLevel], done_us: int, next_us: int) -> list[InnerLevel]:
    """Levels that may prove something between two instants."""
    near: list[InnerLevel] = []
    for inner in levels[bisect_left(levels, done_us, key=lambda one: one.level.to_us) :]:
        if inner.level.from_us >= next_us:
            break
        if inner.readings > 1 and inner.idle_us(done_us, next_us) >= PROOF_REST_US:
            near.append(inner)
    return near


def _expected(part: BracketPart) -> Interval:
    return total_of([one.count for one in part.expectations])


def _lasts(part: BracketPart, inner: InnerLevel, done_us: int, next_us: int) -> bool:
    """The meter stood idle long enough behind these releases to be done with them."""
    needed_us = _needed_us(part, inner.level.total - part.opening.total)
    return needed_us is not None and inner.idle_us(done_us, next_us) >= needed_us


def _needed_us(part: BracketPart, counted: int) -> int | None:
    """How long a rest must be; None where no rest says that these releases are done."""
    releases = [window.release for window in part.windows]
    sure = all(one.count.least >= 1 and one.count.most is not None for one in part.expectations)
    if sure and counted >= _expected(part).least:
        return PROOF_REST_US
    if any(one.ended is None for one in releases):
        return None
    settle_us = max(one.settle_us for one in releases)
    if counted > 0 or all(one.ended is not None and one.ended.outcome != "completed" for one in releases):
        return settle_us
    return max(settle_us, *(one.policy.unmoved_us for one in releases))


def chosen_levels(part: BracketPart, levels: Sequence[Cut]) -> list[Cut]:
    """Of levels behind the same releases the last; what came since the first that fits them is nobody's, if they are
    off with it.
    """
    if len(levels) < 2:
        return list(levels)
    expected = _expected(part)
    if expected.holds(levels[-1].total - part.opening.total):
        return [levels[-1]]
    reached = next((level for level in levels if level.total - part.opening.total >= expected.least), levels[-1])
    return [reached] if reached is levels[-1] else [reached, levels[-1]]


def _end_us(window: Window) -> int:
    """Without an end notice nothing but the count says that a release is done."""
    return window.opens_us if window.release.end_us is None else window.release.end_us


def _by_count(part: BracketPart, levels: Sequence[InnerLevel]) -> list[_InnerCut]:
    """Rests at which the count fits the first releases, where the whole part fits too."""
    if len(part.windows) < 2 or not _expected(part).holds(part.counted):
        return []
    cuts: list[_InnerCut] = []
    rest, behind = part, 0
    for inner in levels:
        if inner.level.to_us < part.opening.from_us or inner.level.from_us > part.closing.to_us:
            continue
        first = _fitting(rest, inner)
        if first is not None:
            level = _behind(inner.level, rest, first)
            behind += first
            cuts.append(_InnerCut(behind, level))
            rest = replace(part, opening=level, windows=rest.windows[first:], expectations=rest.expectations[first:])
    return cuts


def _behind(level: Cut, part: BracketPart, first: int) -> Cut:
    """The level, behind the end of the first releases and before the next could move the meter."""
    ends_us = [_stand_in_us(part.windows, place) or 0 for place in range(first)]
    from_us = max(level.from_us, part.opening.to_us, *ends_us)
    return replace(level, from_us=from_us, to_us=max(from_us, min(level.to_us, part.windows[first].opens_us)))


def _fitting(rest: BracketPart, inner: InnerLevel) -> int | None:
    """How many of the first releases the count so far belongs to; None where none fits, or more than one does.

    A count that fits all of them may be the last one's as well as the first one's: it splits nothing.
    """
    believed = all(window.release.state_believed for window in rest.windows)
    stood = bool(inner.idle) or (not believed and inner.level.to_us - inner.level.from_us >= PROOF_REST_US)
    if inner.readings < 2 or not stood or _expected(rest).holds(inner.level.total - rest.opening.total):
        return None
    fits: list[int] = []
    so_far = Interval(0, 0)
    for place, one in enumerate(rest.expectations[:-1]):
        ended_us = _stand_in_us(rest.windows, place)
        so_far = total_of([so_far, one.count])
        if ended_us is None or ended_us > inner.level.to_us:
            break
        if so_far.holds(inner.level.total - rest.opening.total):
            fits.append(place + 1)
    if len(fits) != 1:
        return None
    left = total_of([one.count for one in rest.expectations[fits[0] :]])
    return fits[0] if left.holds(rest.closing.total - inner.level.total) else None


def _stand_in_us(windows: Sequence[Window], place: int) -> int | None:
    """When a release ended; without a notice the next one's start stands in for it."""
    end_us = windows[place].release.end_us
    if end_us is None and place + 1 < len(windows):
        return windows[place + 1].release.start_us
    return end_us


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


def inner_levels(channel: str, between: Between) -> Iterator[InnerLevel]:
    level: InnerLevel | None = None
    going_on = False
    for sample in inner_samples(channel, between):
        here = _level(channel, between, sample)
        if level is not None and level.level.total == here.level.total:
            level = _joined(level, here, sample, going_on=going_on)
        else:
            if level is not None:
                yield level
            level = here
        going_on = bool(here.idle)
    if level is not None:
        yield level


def _joined(level: InnerLevel, here: InnerLevel, sample: Sample, *, going_on: bool) -> InnerLevel:
    """The level with another plateau of the same count; ``going_on``: what was idle before it still is."""
    to_us = max(level.level.from_us, min(here.level.to_us, known_until_us(level.level.from_us, sample.plateau)))
    idle = level.idle
    if here.idle and going_on and idle:
        since_us = idle[-1][0]
        idle = (*idle[:-1], (since_us, max(since_us, min(to_us, known_until_us(since_us, sample.plateau)))))
    else:
        idle += here.idle
    return InnerLevel(replace(level.level, to_us=to_us), level.readings + here.readings, idle)


def _level(channel: str, between: Between, sample: Sample) -> InnerLevel:
    plateau, total, count = sample.plateau, sample.total(channel), sample.plateau.sight.count(channel)
    if total is None or count is None:
        raise ValueError(f"the sample does not carry {channel}")
    from_us = max(plateau.first_received_us, between.opening.to_us)
    to_us = min(known_until_us(from_us, plateau), between.closing.from_us)
    level = Cut(between.opening.run, count, total, from_us, to_us)
    return InnerLevel(level, plateau.count, ((from_us, to_us),) if is_idle(plateau) else ())


def movements_in(channel: str, part: BracketPart) -> list[Movement]:
    """What moved between the part's neighbouring readings, and which windows were open then."""
    between = Between(part.opening, part.closing, part.windows)
    steps = [(part.opening.to_us, part.opening.total)]
    for inner in inner_levels(channel, between):
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
