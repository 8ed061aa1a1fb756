"""Releases and pages that wait for a verdict: how many, since when and why.

A day on which nothing is judged is conserved too: what waits is counted beside it, and a wait that is unusually long is
a finding that names its releases.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Final, Literal

from pagereeve.domain.brackets.partition import Partition
from pagereeve.domain.brackets.rests import Moment
from pagereeve.domain.brackets.runs import Run, Sample
from pagereeve.domain.brackets.timeline import Timeline
from pagereeve.domain.brackets.unread_channels import is_given_up, unread
from pagereeve.domain.brackets.windows import Window, expected_of
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import PrinterState, Unit
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.findings import finding as find
from pagereeve.domain.ledger import Evidence, Finding, ReleaseKey
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.domain.values.records import dataclass

# A window may be open for so many times the wait for a count that does not move, and each page that was claimed until
# then may take so many times what it takes at the fastest that the policy believes: slower than any office engine.
# Beyond that it is open unusually long. Our choice.
LONG: Final = 5
SLOW: Final = 40

Why = Literal["not-read", "stopped", "state-busy", "not-moved", "not-rested"]


@dataclass(frozen=True, slots=True)
class Waiting:
    """One channel of a printer: ``pages`` that the meter counted behind the last cut, in no account yet, and
    ``releases`` without a verdict.
    """

    channel: str
    pages: int
    releases: int


@dataclass(frozen=True, slots=True)
class Told:
    """``findings`` with the instant at which each is settled; ``due_us``: when one comes if nothing else happens."""

    findings: tuple[tuple[int | None, Finding], ...] = ()
    due_us: int | None = None


@dataclass(frozen=True, slots=True)
class _Episode:
    """Windows, in order, that follow one another without a moment in between at which none was open."""

    windows: tuple[Window, ...]
    closes_us: int | None

    @property
    def opens_us(self) -> int:
        return self.windows[0].release.start_us

    @property
    def is_long(self) -> bool:
        """Whether any of its windows can be open unusually long: what they claim need not be looked at otherwise."""
        if self.closes_us is None:
            return True
        open_us = self.closes_us - self.opens_us
        return any(open_us >= LONG * one.release.policy.unmoved_us for one in self.windows)

    def unusual_us(self) -> Iterator[tuple[Window, int]]:
        """Each window with the instant from which it is open unusually long. Nobody waits before the notice came."""
        pages = 0
        for window in self.windows:
            release = window.release
            pages += expected_of("total", Unit.IMPRESSIONS, release).count.least
            told_us = max(release.start_us, release.started.origin.received_us, release.end_us or 0)
            yield window, told_us + LONG * release.policy.unmoved_us + pages * slow_page_us(release.policy)


def slow_page_us(policy: Policy) -> int:
    return SLOW * 60 * SECOND_US // max(1, policy.speed_per_minute)


def waiting_of(
    parted: Sequence[Partition], runs: Mapping[str, Sequence[Run]], windows: Sequence[Window]
) -> list[Waiting]:
    """Each channel's, of its own ``runs``; without any reading of a meter, that of the total."""
    if not parted:
        return [Waiting("total", 0, sum(not is_given_up(one, None) for one in windows))]
    return [
        Waiting(one.channel, _behind(one, runs[one.channel]), _without_verdict(one, runs[one.channel]))
        for one in parted
    ]


def _without_verdict(part: Partition, runs: Sequence[Run]) -> int:
    without = unread(part.channel, runs) if part.waiting else None
    return sum(not is_given_up(one, without) for one in part.waiting)


def _behind(part: Partition, runs: Sequence[Run]) -> int:
    """What runs counted behind the channel's last cut; one that began since counts from its first reading.

    A run without the channel has ended what was before it.
    """
    pages = 0
    for run in reversed(runs):
        latest = _first_total(part.channel, reversed(run.samples))
        if latest is None and run.samples:
            break
        if latest is not None and part.last is not None and part.last.run is run:
            return pages + latest - part.last.total
        pages += (latest or 0) - (_first_total(part.channel, run.samples) or 0)
    return pages


def _first_total(channel: str, samples: Iterable[Sample]) -> int | None:
    return next((total for one in samples if (total := one.total(channel)) is not None), None)


def told(timeline: Timeline, windows: Sequence[Window], moments: Sequence[Moment]) -> Told:
    """The findings about windows that are open unusually long, or were."""
    if not timeline.rules.registered and not moments:
        # Nobody reads that printer: that is a finding of its own, and names them.
        return Told()
    found: list[tuple[int | None, Finding]] = []
    due_us: int | None = None
    # Of a panel the next figure comes when somebody goes there.
    for episode in _episodes([one for one in windows if not one.release.policy.by_panel]):
        if episode.closes_us is not None:
            if episode.is_long and any((window.closes_us or 0) >= at_us for window, at_us in episode.unusual_us()):
                found.append((episode.closes_us, _over(timeline, episode, episode.closes_us)))
            continue
        first_us = min(at_us for window, at_us in episode.unusual_us() if window.closing != "longest-wait")
        if timeline.horizon_us >= first_us:
            found.append((None, _under_way(timeline, episode, moments)))
        else:
            due_us = first_us
    return Told(tuple(found), due_us)


def _episodes(windows: Sequence[Window]) -> Iterator[_Episode]:
    held: list[Window] = []
    closes_us: int | None = 0
    for window in sorted(windows, key=lambda one: one.release.order):
        if held and closes_us is not None and window.release.start_us >= closes_us:
            yield _Episode(tuple(held), closes_us)
            held = []
        if not held:
            closes_us = window.closes_us
        elif closes_us is not None:
            closes_us = None if window.closes_us is None else max(closes_us, window.closes_us)
        held.append(window)
    if held:
        yield _Episode(tuple(held), closes_us)


def _under_way(timeline: Timeline, episode: _Episode, moments: Sequence[Moment]) -> Finding:
    keys = [one.release.key for one in episode.windows if one.closing != "longest-wait"]
    why = _why(timeline, episode, moments)
    return _finding(timeline, episode, shown.windows_wait(len(keys), episode.opens_us, why), keys)


def _over(timeline: Timeline, episode: _Episode, closes_us: int) -> Finding:
    keys = [one.release.key for one in episode.windows]
    return _finding(timeline, episode, shown.windows_waited(len(keys), episode.opens_us, closes_us), keys)


def _finding(timeline: Timeline, episode: _Episode, what: Evidence, keys: Sequence[ReleaseKey]) -> Finding:
    """Under one id while it lasts and afterwards."""
    return find.make(
        "windows-waiting",
        timeline.printer,
        episode.windows[0].release.started.origin.key,
        episode.opens_us,
        what,
        [shown.release(key) for key in keys],
        episode.closes_us,
    )


def _why(timeline: Timeline, episode: _Episode, moments: Sequence[Moment]) -> Why:
    latest = moments[-1] if moments else None
    failed_us = timeline.silences[-1].first_sent_us if timeline.silences else 0
    if latest is None or latest.to_us < episode.opens_us or latest.from_us < failed_us:
        return "not-read"
    if latest.sample.plateau.sight.stopped:
        return "stopped"
    if latest.sample.plateau.sight.state in {PrinterState.PRINTING, PrinterState.WARMUP}:
        return "state-busy"
    moved = any(_moved(before, after) for before, after in pairwise(moments) if after.from_us > episode.opens_us)
    return "not-rested" if moved else "not-moved"


def _moved(before: Moment, after: Moment) -> bool:
    return before.run is not after.run or before.sample.totals != after.sample.totals
