"""What a printer's own behaviour says of its settle time: how long its count rests before it goes on.

Two things show it. Inside a window the count may rest with nothing printing and then move again: such a rest is no
end. And a window may have closed too early: its bracket came out short, and soon afterwards the missing pages surfaced
with nobody else releasing anything. Somebody who copies by hand makes neither: no bracket misses those pages. Of
windows that overlap only those teach whose pages a proven rest parts from all others': elsewhere what rested may have
been the wait for somebody else's job.

What the printer says of its jobs teaches nothing. It ends no window: a job may be *completed* while the meter moves
(apple/cups#4446). Where it parts releases whose pages are what was released, their counts have parted them already, and
where these are not, nobody knows which rest was a wait for pages that never came.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Final

from pagereeve.domain.brackets.expectation import CLAIMED_CHANNELS
from pagereeve.domain.brackets.rests import PROOF_REST_US, Moment, Rest, levels_of, moments_of, rests_of
from pagereeve.domain.brackets.windows import Window
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.ledger import Grade, Interval, ReleaseKey, Stretch, Verdict
from pagereeve.domain.projection.projection import Projected
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.domain.values.records import dataclass

# So many releases are remembered: enough for a habit, few enough to forget one that is gone.
REMEMBERED: Final = 20
# A settle time is lowered only on this much evidence; it is raised on much less.
LOWERED_FROM: Final = 10
# Half as long again as what was seen, and two seconds for what polling can't see at both ends of a rest.
MARGIN_NUMERATOR, MARGIN_DENOMINATOR = 3, 2
POLLING_US: Final = 2 * SECOND_US


@dataclass(frozen=True, slots=True)
class Observed:
    """One release. ``pause_us`` is the longest rest that was no end, as surely seen."""

    start_us: int
    key: ReleaseKey
    pause_us: int


def observe(projected: Projected, known: Collection[ReleaseKey] = ()) -> Iterator[Observed]:
    """What the closed windows of a projection say; those that overlap others first, each in order of their starts.

    Of ``known`` releases only those whose missing pages may still have come are looked at again.
    """
    short, agreed = short_releases(projected), _agreed(projected)
    apart = [window for window in alone(projected.windows) if _is_over(window)]
    wanted = [
        window
        for window in apart
        if window.release.key in short or (_was_all(window, agreed) and window.release.key not in known)
    ]
    parted = _parted(projected, {*known, *(window.release.key for window in apart)})
    if not wanted and not parted:
        return
    moments = moments_of(projected.runs.runs)
    rests = rests_of(levels_of(moments))
    starts = sorted(window.release.start_us for window in projected.windows)
    for window, stretch in parted:
        pause_us = _longest_in(stretch, rests) if _is_proven(window, stretch, rests, starts) else 0
        if pause_us:
            # That a busy hour shows none is no reason to wait less: what comes late is not seen there.
            yield Observed(window.release.start_us, window.release.key, pause_us)
    for window in wanted:
        key = window.release.key
        if key not in short:
            yield Observed(window.release.start_us, key, _longest_inside(window, rests))
            continue
        until_us = next((start for start in starts if start > window.release.start_us), None)
        late_us = _late_pause(window, moments, rests, short[key], until_us)
        if late_us:
            yield Observed(window.release.start_us, key, max(late_us, _longest_inside(window, rests)))


def _is_over(window: Window) -> bool:
    return window.closing == "rested" and not window.by_count


def _parted(projected: Projected, known: Collection[ReleaseKey]) -> list[tuple[Window, Stretch]]:
    """Closed windows of other releases than ``known`` that have a part of a bracket for themselves, in which came what
    was released to the page.
    """
    parts = {
        stretch.releases[0]: stretch
        for _, posted in projected.posted
        if (stretch := posted.stretch).grade is Grade.INFERRED
        and stretch.channel in CLAIMED_CHANNELS
        and len(stretch.releases) == 1
        and stretch.releases[0] not in known
        and stretch.expected == Interval(stretch.counted, stretch.counted)
    }
    return [(one, parts[one.release.key]) for one in projected.windows if one.release.key in parts and _is_over(one)]


def _is_proven(window: Window, stretch: Stretch, rests: Sequence[Rest], starts: Sequence[int]) -> bool:
    """On both sides of the part the meter rested before the next release could move it: a split by the count alone is
    an inference.
    """
    release = window.release
    opening = next((rest for rest in rests if rest.from_us <= stretch.opens_us <= rest.to_us), None)
    place = bisect_right(starts, release.start_us)
    next_us = starts[place] + release.policy.floor_us if place < len(starts) else None
    if opening is None or window.opens_us - opening.from_us < PROOF_REST_US:
        return False
    return next_us is None or next_us - stretch.closes_us >= PROOF_REST_US


def _longest_in(stretch: Stretch, rests: Sequence[Rest]) -> int:
    """The longest rest between two movements of the part."""
    pauses = [0]
    for rest in rests:
        if rest.stopped or not stretch.opens_us <= rest.from_us <= rest.to_us <= stretch.closes_us:
            continue
        count = rest.moment.sample.plateau.sight.count(stretch.channel)
        if count is not None and count.value not in {stretch.before, stretch.after}:
            pauses.append(rest.to_us - rest.from_us)
    return max(pauses)


def alone(windows: Sequence[Window]) -> Iterator[Window]:
    """Closed windows that overlap no other, in order of their starts."""
    ordered = sorted(windows, key=lambda one: one.release.order)
    busy_until_us: int | None = -1
    for window, after in pairwise([*ordered, None]):
        if window is None:
            return
        closes_us = window.closes_us
        apart = busy_until_us is not None and busy_until_us <= window.release.start_us
        if closes_us is not None and apart and (after is None or after.release.start_us >= closes_us):
            yield window
        busy_until_us = None if busy_until_us is None or closes_us is None else max(busy_until_us, closes_us)


def _was_all(window: Window, agreed: Mapping[ReleaseKey, int]) -> bool:
    """The bracket came out as expected, and nothing that came behind it in the window was parted from it."""
    return agreed.get(window.release.key, -1) >= (window.closes_us or 0)


def _agreed(projected: Projected) -> dict[ReleaseKey, int]:
    """Releases that are alone in a bracket that came out as expected, and until when that went."""
    return {
        stretch.releases[0]: stretch.closes_us
        for _, posted in projected.posted
        if (stretch := posted.stretch).verdict is Verdict.AGREES
        and stretch.channel in CLAIMED_CHANNELS
        and len(stretch.releases) == 1
    }


def short_until_us(projected: Projected) -> int:
    """Until when the meter is to be watched because a bracket came out short; 0 for no reason to."""
    short = short_releases(projected)
    if not short:
        return 0
    waits = [
        window.closes_us + window.release.policy.settle_longest_us
        for window in projected.windows
        if window.closes_us is not None and window.closing == "rested" and window.release.key in short
    ]
    return max(waits, default=0)


def short_releases(projected: Projected) -> dict[ReleaseKey, int]:
    """Releases that are alone in a bracket that came out short, and by how many pages at least."""
    return {
        stretch.releases[0]: stretch.expected.least - stretch.counted
        for _, posted in projected.posted
        if (stretch := posted.stretch).verdict is Verdict.SHORTFALL
        and stretch.channel in CLAIMED_CHANNELS
        and len(stretch.releases) == 1
        and stretch.expected is not None
    }


def _longest_inside(window: Window, rests: Sequence[Rest]) -> int:
    """The longest rest between two movements of the window."""
    opens_us, closes_us = window.opens_us, window.closes_us or 0
    if not any(rest.from_us < opens_us for rest in rests):
        # Nobody saw the count before the first page, so nobody knows which rest was the wait for it.
        return 0
    inside = [rest for rest in rests if rest.from_us >= opens_us and rest.to_us < closes_us]
    return max((rest.to_us - rest.from_us for rest in inside if not rest.stopped), default=0)


def _late_pause(
    window: Window, moments: Sequence[Moment], rests: Sequence[Rest], missing: int, until_us: int | None
) -> int:
    """How long the count had rested when the missing pages came after all; 0 if they didn't, or may be others'."""
    closes_us = window.closes_us or 0
    final = next((rest for rest in rests if rest.from_us < closes_us <= rest.to_us), None)
    if final is None:
        return 0
    limit_us = final.from_us + window.release.policy.settle_longest_us
    latest = final.moment.sample
    for moment in moments:
        if moment.from_us <= final.to_us:
            continue
        if moment.run is not final.moment.run or moment.from_us > limit_us or _is_others(moment.from_us, until_us):
            return 0
        moved = [_since(moment, channel, total) for channel, total in latest.totals if channel in CLAIMED_CHANNELS]
        if any(pages > missing for pages in moved):
            return 0
        if any(pages > 0 for pages in moved):
            return final.to_us - final.from_us
    return 0


def _since(moment: Moment, channel: str, total: int) -> int:
    """Pages since a total; none where the reading lacks the channel."""
    now = moment.sample.total(channel)
    return 0 if now is None else now - total


def _is_others(at_us: int, until_us: int | None) -> bool:
    return until_us is not None and at_us >= until_us


def settle_time_us(observed: Iterable[Observed], policy: Policy, in_force_us: int) -> int:
    """The settle time that the last observations ask for, within the policy's bounds; any order, each release once.

    A pause counts once two windows show one as long: once is an accident.
    """
    latest = sorted({one.key: one for one in observed}.values(), key=lambda one: (one.start_us, one.key))[-REMEMBERED:]
    pauses = sorted((one.pause_us for one in latest), reverse=True)
    confirmed_us = pauses[1] if len(pauses) > 1 else 0
    asked_us = confirmed_us * MARGIN_NUMERATOR // MARGIN_DENOMINATOR + POLLING_US if confirmed_us else 0
    bounded_us = min(max(asked_us, policy.settle_us), max(policy.settle_us, policy.settle_longest_us))
    if bounded_us < in_force_us and len(latest) < LOWERED_FROM:
        return in_force_us
    return bounded_us


def differs(wanted_us: int, in_force_us: int) -> bool:
    """Whether a change is worth a fact: a second, and a fifth of what is in force."""
    return abs(wanted_us - in_force_us) >= max(SECOND_US, in_force_us // 5)
