"""When a release may have moved the meter (domain/README.md, step 2)."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Final, Literal

from pagereeve.domain.brackets.expectation import Expectation, expect
from pagereeve.domain.brackets.runs import Run, Sample
from pagereeve.domain.facts.facts import ReleaseAnswered, ReleaseEnded, ReleaseStarted
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import PrinterState, Unit
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.domain.ledger import ReleaseKey
from pagereeve.domain.values.instants import SECOND_US

# A sender that waits sends its notice at once; and so long an answer is waited for at most (settings: wait_max).
LATE_NOTICE_US: Final = 10 * SECOND_US
LONGEST_GATE_US: Final = 300 * SECOND_US

Closing = Literal["rested", "never-moved", "longest-wait"]


@dataclass(frozen=True, slots=True)
class Release:
    """A release on its printer's timeline. ``again``: its name was started before, for the same job or another.

    ``answered_us``: its sender waited, and let the job go from then on. ``meant``: its ticket with the policy's
    defaults in place of what it leaves out, where that was worked out already.
    """

    started: ReleaseStarted
    ended: ReleaseEnded | None
    policy: Policy
    settle_us: int
    again: Literal["repeat", "reuse"] | None = None
    answered_us: int | None = None
    meant: Ticket | None = None

    @property
    def ticket(self) -> Ticket:
        if self.meant is not None:
            return self.meant
        return self.policy.meant(self.started.origin.source, self.started.ticket)

    @property
    def is_repeat(self) -> bool:
        """The same job was released before: it adds no claim, and may print or not."""
        return self.again == "repeat"

    @property
    def key(self) -> ReleaseKey:
        return ReleaseKey(self.started.origin.source, self.started.release)

    @property
    def noticed_us(self) -> int:
        """When the start is said to have been. No window opens before it."""
        return self.started.origin.at_us

    @property
    def start_us(self) -> int:
        """From when on its pages may come."""
        return self.noticed_us if self.answered_us is None else self.answered_us

    @property
    def end_us(self) -> int | None:
        return None if self.ended is None else max(self.start_us, self.ended.origin.at_us)

    @property
    def order(self) -> tuple[int, str, str]:
        """By start; equal starts by the event's identity, so that arrival never decides."""
        return (self.start_us, *self.started.origin.key)


@dataclass(frozen=True, slots=True)
class Window:
    """From the release's start to the meter's rest. ``closes_us`` is None while it is open.

    ``due_us`` is when an open one closes if the meter goes on resting as it does now; None if it does not rest.
    Up to ``opens_us`` (start plus first-page floor) the meter can't have moved yet for this release.
    """

    release: Release
    closes_us: int | None
    closing: Closing | None
    stalled: bool
    due_us: int | None = None

    @property
    def opens_us(self) -> int:
        return self.release.start_us + self.release.policy.floor_us


@dataclass(frozen=True, slots=True)
class Moment:
    """A sample with its place among the printer's runs."""

    run: Run
    sample: Sample

    @property
    def from_us(self) -> int:
        return self.sample.plateau.first_received_us

    @property
    def to_us(self) -> int:
        return max(self.from_us, self.sample.plateau.last_sent_us)


@dataclass(frozen=True, slots=True)
class Rest:
    """The count did not move and nothing was printing from ``from_us`` to ``to_us``.

    ``stopped`` says that an error holds the printer up for as long.
    """

    moment: Moment
    from_us: int
    to_us: int
    stopped: bool


def opening_answer_us(started: ReleaseStarted, ended: ReleaseEnded | None, answered: ReleaseAnswered) -> int | None:
    """When a gated release's window opens: at the answer, where its sender can have held the job until then.

    None, and the window opens at the notice, where it can't have: the notice came late, as one does that is sent after
    the deed; or its job has ended before the answer; or a clock puts the answer where no wait leads.
    """
    noticed_us = started.origin.at_us
    if started.origin.received_us - noticed_us > LATE_NOTICE_US:
        return None
    if not noticed_us <= answered.at_us <= noticed_us + LATE_NOTICE_US + LONGEST_GATE_US:
        return None
    return answered.at_us if ended is None or ended.origin.at_us >= answered.at_us else None


def moments_of(runs: Sequence[Run]) -> list[Moment]:
    return [Moment(run, sample) for run in runs for sample in run.samples]


def rests_of(moments: Sequence[Moment]) -> list[Rest]:
    """Maximal rests: neighbouring samples of one run with equal counts, none of them printing, errors alike."""
    rests: list[Rest] = []
    previous: Moment | None = None
    for moment in moments:
        sight = moment.sample.plateau.sight
        if sight.state in {PrinterState.PRINTING, PrinterState.WARMUP}:
            previous = None
            continue
        if previous is not None and _same_rest(previous, moment):
            rests[-1] = Rest(moment, rests[-1].from_us, moment.to_us, sight.stopped)
        else:
            rests.append(Rest(moment, moment.from_us, moment.to_us, sight.stopped))
        previous = moment
    return rests


def _same_rest(left: Moment, right: Moment) -> bool:
    return (
        left.run is right.run
        and left.sample.totals == right.sample.totals
        and left.sample.plateau.sight.stopped == right.sample.plateau.sight.stopped
    )


class Windows:
    """Closes the windows of one printer's releases, in order of their starts."""

    def __init__(self, moments: Sequence[Moment], horizon_us: int) -> None:
        self._moments = moments
        self._froms = [moment.from_us for moment in moments]
        self._rests = rests_of(moments)
        self._rest_ends = [rest.to_us for rest in self._rests]
        self._horizon_us = horizon_us
        self._done: list[Window] = []

    def close(self, releases: Sequence[Release]) -> list[Window]:
        for release in sorted(releases, key=lambda item: item.order):
            self._done.append(self._closed(release))
        return self._done

    def _closed(self, release: Release) -> Window:
        before = self._before(release)
        stalled = False
        due_us: int | None = None
        for rest in islice(self._rests, bisect_left(self._rest_ends, release.start_us), None):
            # A stop that comes only when the wait is over already can't make it longer.
            if max(rest.from_us, release.start_us) >= self._longest_us(release, stalled=stalled):
                break
            short = rest.stopped and self._is_short(release, before, rest)
            stalled = stalled or short
            longest_us = self._longest_us(release, stalled=stalled)
            due_us = None
            if short:
                continue
            moved = before is None or _moved(before, rest.moment)
            closes_us = self._rest_needed(release, rest, moved=moved)
            if closes_us <= min(rest.to_us, longest_us):
                return Window(release, closes_us, "rested" if moved else "never-moved", stalled)
            due_us = closes_us if rest is self._rests[-1] else None
        limit_us = self._longest_us(release, stalled=stalled)
        if self._horizon_us >= limit_us:
            return Window(release, limit_us, "longest-wait", stalled)
        return Window(release, None, None, stalled, due_us)

    def _before(self, release: Release) -> Moment | None:
        """The last sample received before the first page could have landed, or else the first one after."""
        index = bisect_right(self._froms, release.start_us + release.policy.floor_us)
        if index:
            return self._moments[index - 1]
        return self._moments[0] if self._moments else None

    @staticmethod
    def _longest_us(release: Release, *, stalled: bool) -> int:
        policy = release.policy
        return release.start_us + (policy.longest_stalled_us if stalled else policy.longest_us)

    @staticmethod
    def _rest_needed(release: Release, rest: Rest, *, moved: bool) -> int:
        """When the rest has lasted long enough for this release."""
        since_us = max(rest.from_us, release.start_us if release.end_us is None else release.end_us)
        given_up = release.ended is not None and release.ended.outcome != "completed"
        wait_us = release.settle_us
        if not moved and not given_up:
            wait_us = max(release.policy.unmoved_us, release.settle_us)
        # Never before the first page could have landed: a window must hold at least one instant.
        return max(since_us + wait_us, release.start_us + release.policy.floor_us + 1)

    def _is_short(self, release: Release, before: Moment | None, rest: Rest) -> bool:
        """Pages are still owed. An error light that was on while all pages came out holds nothing up."""
        if before is None or before.run is not rest.moment.run:
            return True
        others = [
            window.release for window in self._done if window.closes_us is None or window.closes_us > release.start_us
        ]
        channel, counted = _counted(before, rest.moment)
        if channel is None:
            return True
        count = rest.moment.sample.plateau.sight.count(channel)
        owed = sum(expected_of(channel, count.unit, one).count.least for one in [release, *others] if count is not None)
        return counted < max(1, owed)


def expected_of(channel: str, unit: Unit, release: Release) -> Expectation:
    """What the release should cost on a channel."""
    return expect(channel, unit, release.ticket, release.ended, release.policy, again=release.is_repeat)


def _moved(before: Moment, after: Moment) -> bool:
    if before.run is not after.run:
        return True
    return any(
        total != after.sample.total(channel)
        for channel, total in before.sample.totals
        if after.sample.total(channel) is not None
    )


def _counted(before: Moment, after: Moment) -> tuple[str | None, int]:
    """The first channel that both samples carry, and what it counted from one to the other."""
    for channel in ("total", "sheets", *after.sample.plateau.sight.channels):
        left, right = before.sample.total(channel), after.sample.total(channel)
        if left is not None and right is not None:
            return channel, right - left
    return None, 0
