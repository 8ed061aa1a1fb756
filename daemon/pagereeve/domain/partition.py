"""Cuts, and the stretches between them: every page the meter counted lies in exactly one (DESIGN.md 3.4, 3 and 4)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from pagereeve.domain.reading import Count
from pagereeve.domain.runs import Run, Sample
from pagereeve.domain.windows import Window

Busy = tuple[int, int | None]


@dataclass(frozen=True, slots=True)
class Cut:
    """A channel's count stood at ``total`` from ``from_us`` to ``to_us``, and no window was open.

    ``count`` is what the meter showed, ``total`` the same counted on across wraps.
    """

    run: Run
    count: Count
    total: int
    from_us: int
    to_us: int


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
    for window in sorted(windows, key=lambda item: item.opens_us):
        if union and (union[-1][1] is None or window.opens_us < union[-1][1]):
            opens_us, closes_us = union[-1]
            later = None if closes_us is None or window.closes_us is None else max(closes_us, window.closes_us)
            union[-1] = (opens_us, later)
        else:
            union.append((window.opens_us, window.closes_us))
    return union


def partition(channel: str, runs: Sequence[Run], windows: Sequence[Window]) -> Partition:
    """Part a printer's history in one channel at its cuts."""
    waiting = sorted(windows, key=lambda item: (item.opens_us, item.release.order))
    pieces: list[Between | Broken] = []
    last: Cut | None = None
    passed: list[Run] = []
    taken = 0
    busy = busy_times(windows)
    for run in runs:
        for cut in cuts_of(channel, run, busy):
            inside = taken
            while inside < len(waiting) and waiting[inside].opens_us < cut.from_us:
                inside += 1
            held, taken = tuple(waiting[taken:inside]), inside
            piece = _piece(channel, last, cut, passed, held)
            if piece is not None:
                pieces.append(piece)
            last, passed = cut, []
        if last is None or last.run is not run:
            passed.append(run)
    return Partition(channel, tuple(pieces), last, tuple(waiting[taken:]))


def _piece(
    channel: str, last: Cut | None, cut: Cut, passed: Sequence[Run], held: tuple[Window, ...]
) -> Between | Broken | None:
    if last is not None and last.run is cut.run:
        return Between(last, cut, held) if held or cut.total != last.total else None
    if not held:
        return None
    portions: list[Portion] = []
    if last is not None:
        portions.append(Portion(last.run, last, _edge(channel, last.run, -1)))
    portions += [
        Portion(run, _edge(channel, run, 0), _edge(channel, run, -1)) for run in passed if channel in run.last_totals
    ]
    portions.append(Portion(cut.run, _edge(channel, cut.run, 0), cut))
    return Broken(last, cut, tuple(portions), held)


def _edge(channel: str, run: Run, index: int) -> Cut:
    """A run's first or last reading of the channel: where a run begins or ends is a cut by itself."""
    sample = [one for one in run.samples if one.total(channel) is not None][index]
    level = _level_of(channel, run, sample)
    # One instant: a first reading's plateau may still grow.
    at_us = level.from_us if index == 0 else level.to_us
    return Cut(run, level.count, level.total, at_us, at_us)


def _level_of(channel: str, run: Run, sample: Sample) -> Cut:
    count, total = sample.plateau.sight.count(channel), sample.total(channel)
    if count is None or total is None:
        raise ValueError(f"the sample does not carry {channel}")
    from_us = sample.plateau.first_received_us
    return Cut(run, count, total, from_us, max(from_us, sample.plateau.last_sent_us))


def levels_of(channel: str, run: Run) -> Iterator[Cut]:
    """Maximal stretches of one count, windows or not."""
    level: Cut | None = None
    for sample in run.samples:
        if sample.total(channel) is None:
            continue
        here = _level_of(channel, run, sample)
        if level is not None and level.total == here.total:
            level = Cut(run, level.count, level.total, level.from_us, here.to_us)
            continue
        if level is not None:
            yield level
        level = here
    if level is not None:
        yield level


def cuts_of(channel: str, run: Run, busy: Sequence[Busy]) -> Iterator[Cut]:
    """Levels less the open intervals in which a window was open."""
    first = 0
    for level in levels_of(channel, run):
        while first < len(busy) and _ends_by(busy[first], level.from_us):
            first += 1
        from_us: int | None = level.from_us
        index = first
        while from_us is not None and index < len(busy) and busy[index][0] < level.to_us:
            opens_us, closes_us = busy[index]
            if from_us <= opens_us:
                yield Cut(run, level.count, level.total, from_us, opens_us)
            from_us = closes_us
            index += 1
        if from_us is not None and from_us <= level.to_us:
            yield Cut(run, level.count, level.total, from_us, level.to_us)


def _ends_by(busy: Busy, at_us: int) -> bool:
    return busy[1] is not None and busy[1] <= at_us
