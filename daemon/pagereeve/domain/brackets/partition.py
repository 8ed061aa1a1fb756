"""Cuts, and the stretches between them: every page the meter counted lies in exactly one
(domain/README.md, steps 3 and 4).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from pagereeve.domain.brackets.rests import known_until_us
from pagereeve.domain.brackets.runs import Run, Sample
from pagereeve.domain.brackets.windows import Window
from pagereeve.domain.facts.reading import Count
from pagereeve.domain.values.records import dataclass

Busy = tuple[int, int | None]


@dataclass(frozen=True, slots=True)
class Cut:
    """A channel's count was ``total`` from ``from_us`` to ``to_us``, and no window was open.

    ``count`` is what the meter showed, ``total`` the same counted on across wraps; ``others`` is a figure of which the
    differences are what other functions made of it, where the meter counts these apart.
    """

    run: Run
    count: Count
    total: int
    from_us: int
    to_us: int
    others: int = 0

    @property
    def net(self) -> int:
        """The total without other functions: of which the differences may be somebody's."""
        return self.total - self.others


@dataclass(frozen=True, slots=True)
class Between:
    """What lies between two neighbouring cuts of one run."""

    opening: Cut
    closing: Cut
    windows: tuple[Window, ...]

    @property
    def counted(self) -> int:
        return self.closing.total - self.opening.total


@dataclass(frozen=True, slots=True)
class Portion:
    """What one run surely counted inside a stretch in which a run ended or began."""

    run: Run
    first: Cut
    last: Cut

    @property
    def counted(self) -> int:
        return self.last.total - self.first.total


@dataclass(frozen=True, slots=True)
class Broken:
    """A stretch in which a run ended. ``opening`` is None where no cut came before: the releases were blind."""

    opening: Cut | None
    closing: Cut
    portions: tuple[Portion, ...]
    windows: tuple[Window, ...]


@dataclass(frozen=True, slots=True)
class Partition:
    """One channel's closed stretches in time order, its last cut, and the windows behind that cut."""

    channel: str
    pieces: tuple[Between | Broken, ...]
    last: Cut | None
    waiting: tuple[Window, ...]


def busy_times(windows: Sequence[Window]) -> list[Busy]:
    """The union of the windows, as disjoint open intervals in order; an end of None is still open."""
    union: list[Busy] = []
    for window in sorted(windows, key=lambda item: item.release.opens_us):
        if union and (union[-1][1] is None or window.opens_us < union[-1][1]):
            opens_us, closes_us = union[-1]
            later = None if closes_us is None or window.closes_us is None else max(closes_us, window.closes_us)
            union[-1] = (opens_us, later)
        else:
            union.append((window.opens_us, window.closes_us))
    return union


def partition(channel: str, runs: Sequence[Run], windows: Sequence[Window]) -> Partition:
    """Part a printer's history in one channel at its cuts."""
    return partitions({channel: runs}, windows)[0]


def partitions(runs: Mapping[str, Sequence[Run]], windows: Sequence[Window]) -> list[Partition]:
    """Each channel's, by its own runs."""
    ordered = sorted(windows, key=lambda item: (item.release.opens_us, item.release.order))
    busy = busy_times(ordered)
    return [_parted(channel, own, ordered, busy) for channel, own in runs.items()]


def _parted(channel: str, runs: Sequence[Run], windows: Sequence[Window], busy: Sequence[Busy]) -> Partition:
    removal = _QueueRemoval(channel, windows, busy, runs)
    for run in runs:
        removal.take(run)
    return removal.finish()


class _QueueRemoval:
    """One channel's way through the runs: its last cut, the runs since, and the windows since."""

    def __init__(self, channel: str, windows: Sequence[Window], busy: Sequence[Busy], runs: Sequence[Run]) -> None:
        self._channel = channel
        self._busy = busy
        self._waiting = windows
        self._taken = 0
        self._pieces: list[Between | Broken] = []
        self._last: Cut | None = None
        self._passed: list[Run] = []
        first = next((run.samples[0] for run in runs if run.samples), None)
        # Of a printer's first reading on a channel is known; one that comes later owes nothing for what was before.
        self._known = first is None or first.total(channel) is not None

    def take(self, run: Run) -> None:
        first = next((sample for sample in run.samples if sample.total(self._channel) is not None), None)
        if self._known and run.samples and first is not run.samples[0]:
            self._leave(run, first)
        if first is None:
            return
        if not self._known:
            self._enter(first)
        for cut in cuts_of(self._channel, run, self._busy):
            piece = _piece(self._channel, self._last, cut, self._passed, self._held(cut.from_us))
            if piece is not None:
                self._pieces.append(piece)
            self._last, self._passed = cut, []
        if self._last is None or self._last.run is not run:
            self._passed.append(run)

    def _held(self, until_us: int) -> tuple[Window, ...]:
        """The windows not yet assigned that opened before an instant."""
        first = self._taken
        while self._taken < len(self._waiting) and self._waiting[self._taken].release.opens_us < until_us:
            self._taken += 1
        return tuple(self._waiting[first : self._taken]) if self._taken > first else ()

    def _enter(self, first: Sample) -> None:
        """The channel is new: a window that closed before its first reading is none of its business."""
        self._known = True
        rest = self._waiting[self._taken :]
        self._waiting = [
            one for one in rest if one.closes_us is None or one.closes_us > first.plateau.first_received_us
        ]
        self._taken = 0

    def _leave(self, run: Run, first: Sample | None) -> None:
        """A run began without the channel: its first cut in any other, if sooner, ends what was under way."""
        firsts = [next((cut.from_us for cut in cuts_of(name, run, self._busy)), None) for name in run.channels()]
        at_us = min((first_us for first_us in firsts if first_us is not None), default=None)
        if at_us is None or (first is not None and first.plateau.first_received_us <= at_us):
            return
        opening, ended = self._last, [*([] if self._last is None else [self._last.run]), *self._passed]
        held = self._held(at_us)
        if held and ended:
            edge = _edge(self._channel, ended[-1], -1)
            closing = Cut(run, edge.count, edge.total, at_us, at_us)
            self._pieces.append(Broken(opening, closing, _portions(self._channel, opening, self._passed), held))
        self._last, self._passed, self._known = None, [], False

    def finish(self) -> Partition:
        waiting = tuple(self._waiting[self._taken :]) if self._known else ()
        return Partition(self._channel, tuple(self._pieces), self._last, waiting)


def _piece(
    channel: str, last: Cut | None, cut: Cut, passed: Sequence[Run], held: tuple[Window, ...]
) -> Between | Broken | None:
    if last is not None and last.run is cut.run:
        return Between(last, cut, held) if held or cut.total != last.total else None
    if not held:
        return None
    portions = [*_portions(channel, last, passed), Portion(cut.run, _edge(channel, cut.run, 0), cut)]
    return Broken(last, cut, tuple(portions), held)


def _portions(channel: str, last: Cut | None, passed: Sequence[Run]) -> tuple[Portion, ...]:
    """What the runs that ended since the last cut surely counted."""
    portions = [] if last is None else [Portion(last.run, last, _edge(channel, last.run, -1))]
    portions += [Portion(run, _edge(channel, run, 0), _edge(channel, run, -1)) for run in passed]
    return tuple(portions)


def _edge(channel: str, run: Run, index: int) -> Cut:
    """A run's first or last level of the channel: where a run begins or ends is a cut by itself."""
    levels = list(levels_of(channel, run))
    level = levels[index]
    # One instant: a first reading's plateau may still grow.
    at_us = level.from_us if index == 0 else level.to_us
    return Cut(run, level.count, level.total, at_us, at_us)


def levels_of(channel: str, run: Run) -> Iterator[Cut]:
    """Maximal stretches of one count, windows or not."""
    for first, from_us, to_us in _stands(channel, run):
        yield _cut(channel, run, first, from_us, to_us)


def _stands(channel: str, run: Run) -> Iterator[tuple[Sample, int, int]]:
    """The first sample of each level, and from when until when the count stood."""
    first: Sample | None = None
    level_total: int | None = None
    from_us = to_us = 0
    for sample in run.samples:
        total = sample.total(channel)
        if total is None:
            continue
        if total != level_total:
            if first is not None:
                yield first, from_us, to_us
            first, level_total, from_us = sample, total, run.known_from_us(sample)
        to_us = known_until_us(from_us, sample.plateau)
    if first is not None:
        yield first, from_us, to_us


def _cut(channel: str, run: Run, first: Sample, from_us: int, to_us: int) -> Cut:
    count, total = first.plateau.sight.count(channel), first.total(channel)
    if count is None or total is None:
        raise ValueError(f"the sample does not carry {channel}")
    return Cut(run, count, total, from_us, to_us)


def cuts_of(channel: str, run: Run, busy: Sequence[Busy]) -> Iterator[Cut]:
    """Levels less the open intervals in which a window was open."""
    first = 0
    for sample, level_from_us, to_us in _stands(channel, run):
        while first < len(busy) and _ends_by(busy[first], level_from_us):
            first += 1
        from_us: int | None = level_from_us
        index = first
        while from_us is not None and index < len(busy) and busy[index][0] < to_us:
            opens_us, closes_us = busy[index]
            if from_us <= opens_us:
                yield _cut(channel, run, sample, from_us, opens_us)
            from_us = closes_us
            index += 1
        if from_us is not None and from_us <= to_us:
            yield _cut(channel, run, sample, from_us, to_us)


def _ends_by(busy: Busy, at_us: int) -> bool:
    return busy[1] is not None and busy[1] <= at_us
