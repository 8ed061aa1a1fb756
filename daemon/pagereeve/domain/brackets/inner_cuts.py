"""Inner cuts: rests inside a bracket that split it, by time and by count (domain/README.md, step 4)."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import replace
from itertools import accumulate

from pagereeve.domain.brackets.begun_anew import begun_anew, may_be_more
from pagereeve.domain.brackets.expectation import Expectation, total_of
from pagereeve.domain.brackets.functions import Apart, apart_in, without_functions
from pagereeve.domain.brackets.inner_levels import BracketPart, InnerLevel, inner_levels
from pagereeve.domain.brackets.partition import Between, Cut
from pagereeve.domain.brackets.rests import PROOF_REST_US
from pagereeve.domain.brackets.windows import Window
from pagereeve.domain.ledger import Interval
from pagereeve.domain.values.records import dataclass


@dataclass(frozen=True, slots=True)
class _InnerCut:
    """A level that lies behind the first ``releases`` of a bracket, and before the others."""

    releases: int
    level: Cut
    bounds_only: bool = False


def split_bracket(
    channel: str, between: Between, expectations: Sequence[Expectation], apart: Apart | None = None
) -> list[BracketPart]:
    """The bracket's parts, in order; a single one where no inner rest separates its releases, or what came behind."""
    whole = BracketPart(between.opening, between.closing, between.windows, tuple(expectations), apart=apart)
    if len(between.windows) == 1 and not may_be_more(whole, whole.counted):
        return [whole]
    levels = inner_levels(channel, between, apart)
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
                (one.releases - first, one.level.net - opening.net)
                for one in cuts
                if one.bounds_only and first < one.releases < releases
            ),
            None,
        )
        windows, expectations = part.windows[first:releases], part.expectations[first:releases]
        if windows or level.total != opening.total:
            inferred = part.inferred or bool(ends)
            bounds = bounds or part.bounds
            parts.append(BracketPart(opening, level, windows, expectations, inferred, bounds, part.apart))
        first, opening = releases, level
    return parts


def _by_time(whole: BracketPart, levels: Sequence[InnerLevel]) -> list[_InnerCut]:
    """Rests behind the end of the first releases, before any later one could move the meter."""
    if not all(window.release.state_believed for window in whole.windows):
        return []
    ends_us = list(accumulate((_end_us(window) for window in whole.windows), max))
    cuts: list[_InnerCut] = []
    first, opening = 0, whole.opening
    for until in range(1, len(whole.windows)):
        done_us, next_us = ends_us[until - 1], whole.windows[until].opens_us
        near = _near(levels, done_us, next_us)
        if not near:
            continue
        so_far = _of(whole, opening, first, until)
        chosen = chosen_levels(so_far, [one.level for one in near if _lasts(so_far, one, done_us, next_us)])
        reached = begun_anew(so_far, levels, done_us, chosen[0]) if chosen else None
        for level in chosen if reached is None else [reached, *chosen]:
            short = level.net - opening.net < so_far.expected.least
            cuts.append(_InnerCut(until, _clipped(level, done_us, next_us), short))
        if cuts and cuts[-1].releases == until and not cuts[-1].bounds_only:
            first, opening = until, cuts[-1].level
    rest = _of(whole, opening, first, len(whole.windows))
    reached = begun_anew(rest, levels, ends_us[-1], whole.closing)
    if reached is not None:
        cuts.append(_InnerCut(len(whole.windows), _clipped(reached, ends_us[-1], whole.closing.from_us)))
    return cuts


def is_done(channel: str, between: Between, expectations: Sequence[Expectation]) -> bool:
    """Whether the meter rests now, at the end of what is known of an open bracket, so that whatever comes later is not
    its releases': an inner cut by time would stand behind the last of them.
    """
    if any(not one.release.state_believed or one.release.end_us is None for one in between.windows):
        return False
    apart = apart_in(channel, between)
    known = without_functions(between, apart)
    whole = BracketPart(known.opening, known.closing, known.windows, tuple(expectations), apart=apart)
    levels = inner_levels(channel, known, apart)
    if not levels or levels[-1].readings < 2 or levels[-1].level.total != known.closing.total:
        return False
    behind, opening = 0, whole.opening
    for cut in _by_time(whole, levels):
        if not cut.bounds_only and cut.releases < len(whole.windows):
            behind, opening = cut.releases, cut.level
    rest = _of(whole, opening, behind, len(whole.windows))
    done_us, now_us = max(map(_end_us, known.windows)), known.closing.from_us
    reached = _needed_us(rest, levels[-1].level.net - opening.net) == PROOF_REST_US
    return reached and levels[-1].idle_us(done_us, now_us) >= PROOF_REST_US


def _of(whole: BracketPart, opening: Cut, first: int, until: int) -> BracketPart:
    """Some of the bracket's releases, from a level on."""
    windows, expectations = whole.windows[first:until], whole.expectations[first:until]
    return replace(whole, opening=opening, windows=windows, expectations=expectations)


def _clipped(level: Cut, done_us: int, next_us: int) -> Cut:
    return replace(level, from_us=max(level.from_us, done_us), to_us=min(level.to_us, next_us))


def _near(levels: Sequence[InnerLevel], done_us: int, next_us: int) -> list[InnerLevel]:
    """Levels that may prove something between two instants."""
    near: list[InnerLevel] = []
    for inner in levels[bisect_left(levels, done_us, key=lambda one: one.level.to_us) :]:
        if inner.level.from_us >= next_us:
            break
        if inner.readings > 1 and inner.rested_us(done_us, next_us) >= PROOF_REST_US:
            near.append(inner)
    return near


def _lasts(part: BracketPart, inner: InnerLevel, done_us: int, next_us: int) -> bool:
    """The meter stood idle long enough behind these releases to be done with them."""
    needed_us = _needed_us(part, inner.level.net - part.opening.net)
    if needed_us == PROOF_REST_US:
        # What was counted before the next could move the meter is not the next one's, however soon it came; and these
        # are done with theirs, if the same rest goes on.
        return inner.rested_us(done_us, next_us) >= needed_us
    return needed_us is not None and inner.idle_us(done_us, next_us) >= needed_us


def _needed_us(part: BracketPart, counted: int) -> int | None:
    """How long a rest must be; None where no rest says that these releases are done."""
    releases = [window.release for window in part.windows]
    sure = all(one.count.least >= 1 and one.count.most is not None for one in part.expectations)
    if sure and counted >= part.expected.least:
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
    expected = part.expected
    if expected.holds(levels[-1].net - part.opening.net):
        return [levels[-1]]
    reached = next((level for level in levels if level.net - part.opening.net >= expected.least), levels[-1])
    return [reached] if reached is levels[-1] else [reached, levels[-1]]


def _end_us(window: Window) -> int:
    """Without an end notice nothing but the count says that a release is done."""
    return window.opens_us if window.release.end_us is None else window.release.end_us


def _by_count(part: BracketPart, levels: Sequence[InnerLevel]) -> list[_InnerCut]:
    """Rests at which the count fits the first releases, where the whole part fits too."""
    if len(part.windows) < 2 or not part.expected.holds(part.counted):
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
            rest = _of(rest, level, first, len(rest.windows))
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
    if inner.readings < 2 or not stood or rest.expected.holds(inner.level.net - rest.opening.net):
        return None
    fits: list[int] = []
    so_far = Interval(0, 0)
    for place, one in enumerate(rest.expectations[:-1]):
        ended_us = _stand_in_us(rest.windows, place)
        so_far = total_of([so_far, one.count])
        if ended_us is None or ended_us > inner.level.to_us:
            break
        if so_far.holds(inner.level.net - rest.opening.net):
            fits.append(place + 1)
    if len(fits) != 1:
        return None
    left = total_of([one.count for one in rest.expectations[fits[0] :]])
    return fits[0] if left.holds(rest.closing.net - inner.level.net) else None


def _stand_in_us(windows: Sequence[Window], place: int) -> int | None:
    """When a release ended; without a notice the next one's start stands in for it."""
    end_us = windows[place].release.end_us
    if end_us is None and place + 1 < len(windows):
        return windows[place + 1].release.start_us
    return end_us
