"""Closes windows: from a release's start to the meter's rest (domain/README.md, step 2).

The physical rests are found first, and releases are placed on them. The count decides: where a state sticks at
*printing* or *warming up*, the count that stands where it should is a rest all the same.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import field
from itertools import islice

from pagereeve.domain.brackets.debts import Debts
from pagereeve.domain.brackets.rests import PROOF_REST_US, Level, Moment, Rest, levels_of, stopping_lights
from pagereeve.domain.brackets.runs import LEADS
from pagereeve.domain.brackets.windows import Release, Window
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.values.instants import FOREVER_US
from pagereeve.domain.values.records import dataclass


@dataclass(slots=True)
class _Case:
    """One release at its ``place`` in order. Its bracket opened at ``opening``, with the release at ``first``.

    ``before`` is the release's own last sight of the meter before its first page. From ``since_us`` on a rest can be
    its end, but never before the first page could have landed (``earliest_us``).
    """

    release: Release
    place: int
    first: int
    opening: int | None
    before: Moment | None
    stalled: bool = False
    start_us: int = field(init=False)
    since_us: int = field(init=False)
    earliest_us: int = field(init=False)

    def __post_init__(self) -> None:
        release = self.release
        self.start_us, end_us = release.start_us, release.end_us
        self.since_us = self.start_us if end_us is None else end_us
        # A window must hold at least one instant.
        self.earliest_us = release.opens_us + 1

    @property
    def longest_us(self) -> int:
        policy = self.release.policy
        return self.start_us + (policy.longest_stalled_us if self.stalled else policy.longest_us)


@dataclass(frozen=True, slots=True)
class _Ending:
    """When a level has lasted long enough to end a window, and until when it is known to last (``sure_us``).

    ``live``: it may still last longer, if nothing comes after it.
    """

    closes_us: int
    sure_us: int
    moved: bool
    live: bool
    by_count: bool = False


@dataclass(frozen=True, slots=True)
class _Counted:
    """What a channel counted since a bracket opened."""

    channel: str
    unit: Unit
    pages: int


class Windows:
    """Closes the windows of one printer's releases, in order of their starts."""

    def __init__(self, moments: Sequence[Moment], horizon_us: int) -> None:
        self._moments = moments
        self._froms = [moment.sample.plateau.first_received_us for moment in moments]
        self._levels = levels_of(moments)
        self._level_ends = [level.to_us for level in self._levels]
        self._horizon_us = horizon_us
        self._ordered: list[Release] = []
        self._starts: list[int] = []
        self._debts = Debts(())
        self._lit: frozenset[str] = frozenset()
        self._printed_under: list[frozenset[str]] = []

    def close(self, releases: Sequence[Release]) -> list[Window]:
        self._ordered = sorted(releases, key=lambda item: item.order)
        self._starts = [release.start_us for release in self._ordered]
        self._debts = Debts(self._ordered)
        done: list[Window] = []
        first = 0
        opening: int | None = None
        until_us: int | None = -1
        for place, release in enumerate(self._ordered):
            here = self._before(release)
            if until_us is not None and release.opens_us >= until_us:
                first, opening, self._printed_under = place, here, []
            before = None if here is None else self._moments[here]
            window = self._closed(_Case(release, place, first, opening, before))
            done.append(window)
            until_us = None if until_us is None or window.closes_us is None else max(until_us, window.closes_us)
        return done

    def _before(self, release: Release) -> int | None:
        """The last sample received before the first page could have landed, or else the first one after."""
        index = bisect_right(self._froms, release.opens_us)
        return max(0, index - 1) if self._moments else None

    def _closed(self, case: _Case) -> Window:
        due_us: int | None = None
        begun = bisect_left(self._level_ends, case.start_us)
        soonest_us = max(case.since_us, case.earliest_us)
        last = self._levels[-1] if self._levels else None
        for place, level in enumerate(islice(self._levels, begun, None), begun):
            if level.from_us >= case.longest_us or case.start_us >= case.longest_us:
                break
            due_us = None
            if level.to_us < soonest_us and not level.lit and level is not last:
                continue
            known = [ending for ending in self._endings(case, level) if ending.closes_us <= case.longest_us]
            if not known:
                continue
            over = [one for one in known if one.closes_us <= one.sure_us]
            ended = (
                min(over, key=lambda one: (one.closes_us, one.by_count)) if len(over) > 1 else next(iter(over), None)
            )
            if ended is None:
                due_us = min((one.closes_us for one in known if one.live and level is last), default=None)
            elif not ended.by_count:
                return self._window(case, ended, level, None)
            elif (firm_us := self._firm_us(case, level, place, ended.closes_us)) is not None:
                return self._window(case, ended, level, firm_us)
        if self._horizon_us >= case.longest_us:
            return Window(case.release, case.longest_us, "longest-wait", case.stalled)
        return Window(case.release, None, None, case.stalled, due_us)

    @staticmethod
    def _window(case: _Case, ended: _Ending, level: Level, firm_us: int | None) -> Window:
        return Window(
            case.release,
            ended.closes_us,
            "rested" if ended.moved else "never-moved",
            case.stalled,
            by_count=ended.by_count,
            firm_us=firm_us,
            rest_from_us=level.from_us,
        )

    def _endings(self, case: _Case, level: Level) -> Iterator[_Ending]:
        """Ways in which the level may end the window, whether it has lasted so long or not."""
        moved = case.before is None or _moved(case.before, level.moment)
        ended_us = FOREVER_US
        if not _is_idle_throughout(level):
            closes_us = self._count_needed_us(case, level)
            if closes_us is not None:
                yield _Ending(closes_us, level.to_us, moved, live=True, by_count=True)
                ended_us = closes_us if closes_us <= level.to_us else ended_us
        for rest in level.rests:
            if rest.to_us < case.start_us:
                continue
            # What comes when the wait is over already, or the window closed, can't make it longer.
            begun_us = max(rest.from_us, case.start_us)
            if begun_us >= ended_us or begun_us >= case.longest_us:
                return
            if rest.stopped and self._is_held_up(case, rest.moment, rest.last):
                case.stalled = True
                continue
            for closes_us in (self._rest_needed_us(case, rest, moved=moved), self._next_start_us(case, rest)):
                if closes_us is not None:
                    yield _Ending(closes_us, rest.to_us, moved, live=rest.last == level.last)
                    ended_us = min(ended_us, closes_us) if closes_us <= rest.to_us else ended_us

    @staticmethod
    def _rest_needed_us(case: _Case, rest: Rest, *, moved: bool) -> int:
        """When the rest has lasted long enough for this release."""
        release = case.release
        given_up = release.ended is not None and release.ended.outcome != "completed"
        wait_us, by_panel = release.settle_us, release.policy.by_panel
        if not given_up and (not moved or (by_panel and release.ended is None)):
            wait_us = max(release.policy.unmoved_us, release.settle_us)
        if by_panel:
            # The figure is known for an instant alone: people read it when the printer is done.
            return max(rest.from_us, case.since_us + wait_us, case.earliest_us)
        return max(max(rest.from_us, case.since_us) + wait_us, case.earliest_us)

    def _next_start_us(self, case: _Case, rest: Rest) -> int | None:
        """Without an end notice the next release's start stands in for it, once the count is reached and rests."""
        if case.release.ended is not None or case.place + 1 == len(self._ordered):
            return None
        after = self._ordered[case.place + 1]
        known_us = min(rest.to_us, after.start_us + after.policy.floor_us)
        if rest.to_us < after.start_us or known_us - max(rest.from_us, case.start_us) < PROOF_REST_US:
            return None
        counted = self._counted(case, rest.moment)
        if counted is None:
            return None
        span = (counted.channel, counted.unit, case.first, case.place + 1)
        if not self._debts.are_sure(*span) or counted.pages < self._debts.least(*span):
            return None
        return max(after.start_us, case.earliest_us)

    def _count_needed_us(self, case: _Case, level: Level) -> int | None:
        """When the level has lasted long enough whatever the state says."""
        policy = case.release.policy
        from_us = max(level.from_us, case.since_us)
        closes_us = max(from_us + max(policy.unmoved_us, case.release.settle_us), case.earliest_us)
        if level is not self._levels[-1] and closes_us > level.to_us:
            return None
        counted = self._counted(case, level.moment)
        if counted is not None:
            begun = max(case.place + 1, bisect_left(self._starts, closes_us))
            if counted.pages >= self._debts.least(counted.channel, counted.unit, case.first, begun):
                return closes_us
        # As it was at that instant: what comes on later changes nothing that was over.
        then = max(level.first, min(level.last, bisect_right(self._froms, closes_us) - 1))
        if not case.release.state_believed and not self._is_held_up(case, self._moments[then], then):
            return closes_us
        return max(from_us + policy.longest_stalled_us, case.earliest_us)

    def _firm_us(self, case: _Case, level: Level, place: int, closes_us: int) -> int | None:
        """Until when pages that were owed could still open the window again; None where they did.

        They must come before anybody else's start, and fit.
        """
        counted = self._counted(case, level.moment)
        if counted is None:
            return closes_us
        most = self._debts.most(counted.channel, counted.unit, case.first, case.place + 1)
        if most is not None and counted.pages >= most:
            return closes_us
        until_us = case.longest_us
        if case.place + 1 < len(self._ordered):
            after = self._ordered[case.place + 1]
            until_us = min(until_us, after.start_us + after.policy.floor_us)
        if place + 1 == len(self._levels):
            return max(closes_us, until_us)
        later = self._levels[place + 1]
        here = self._counted(case, self._moments[later.first])
        if here is None or later.from_us > until_us or here.channel != counted.channel:
            return closes_us
        return None if most is None or counted.pages < here.pages <= most else closes_us

    def _is_held_up(self, case: _Case, moment: Moment, place: int) -> bool:
        """An error stops the printer, and pages are still owed. One that was printed under is no stop."""
        lights = stopping_lights(moment.sample.plateau)
        if not lights or case.opening is None or lights <= self._under(case.opening, place):
            return False
        counted = self._counted(case, moment)
        if counted is None:
            return True
        owed = self._debts.least(counted.channel, counted.unit, case.first, case.place + 1)
        return counted.pages < max(1, owed)

    def _under(self, opening: int, place: int) -> frozenset[str]:
        """Errors that were lit when the bracket opened, still are, and under which pages came."""
        known = self._printed_under
        while len(known) <= place - opening:
            at = opening + len(known)
            known.append(self._under_at(at, known[-1] if known else frozenset(), opening))
        return known[place - opening] if place >= opening else frozenset()

    def _under_at(self, at: int, under: frozenset[str], opening: int) -> frozenset[str]:
        lit = stopping_lights(self._moments[at].sample.plateau)
        if at == opening:
            self._lit = lit
            return frozenset()
        self._lit &= lit
        before, here = self._moments[at - 1], self._moments[at]
        came = self._lit if before.run is here.run and _moved(before, here) else frozenset()
        return (under & lit) | came

    def _counted(self, case: _Case, moment: Moment) -> _Counted | None:
        """On the first channel that both samples carry; None where nothing can be subtracted."""
        opening = None if case.opening is None else self._moments[case.opening]
        if opening is None or opening.run is not moment.run:
            return None
        for channel in (*LEADS, *moment.sample.plateau.sight.channels):
            left, right = opening.sample.total(channel), moment.sample.total(channel)
            count = moment.sample.plateau.sight.count(channel)
            if left is not None and right is not None and count is not None:
                return _Counted(channel, count.unit, right - left)
        return None


def _is_idle_throughout(level: Level) -> bool:
    if len(level.rests) != 1:
        return False
    rest = level.rests[0]
    return not rest.stopped and (rest.from_us, rest.last) == (level.from_us, level.last)


def _moved(before: Moment, after: Moment) -> bool:
    if before.run is not after.run:
        return True
    if before.sample.totals == after.sample.totals:
        return False
    return any(after.sample.total(channel) not in {None, total} for channel, total in before.sample.totals)
