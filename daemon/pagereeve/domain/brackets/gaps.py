"""Stretches that belong to one event are one: pages copied one after the other, and pages that follow a broken bracket.

A level that the meter held for less than the settle time, and that the next answer soon shows to be passed, is no rest.
Between two stretches without a release it parts nothing; before or after a release it is a cut as any other.
Where a run ended in a release's bracket, its claim is unproven; pages that come next, before anybody else's start and
no more than it may have, are not stray as well.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from itertools import islice
from typing import Final

from pagereeve.domain.brackets.expectation import total_of
from pagereeve.domain.brackets.partition import Between, Broken, Partition, Portion
from pagereeve.domain.brackets.runs import Run, Sample
from pagereeve.domain.brackets.windows import Window, expected_of
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.ledger import Interval

SOON: Final = 2
"""So many settle times from one level to the next: answers that lie further apart show no movement that went on."""


@dataclass(slots=True)
class Joining:
    """``broken`` are levels behind broken brackets, by channel: when each began, and until when what follows belongs
    to it.
    """

    rules: Rules
    broken: dict[str, list[tuple[int, int]]] = field(default_factory=dict)

    def joined(self, part: Partition) -> Partition:
        """The same pages in fewer stretches."""
        if not part.pieces:
            return part
        pieces = self._after_breaks(part.channel, _gaps_joined(part.pieces, self.rules))
        return part if len(pieces) == len(part.pieces) else replace(part, pieces=tuple(pieces))

    def _after_breaks(self, channel: str, pieces: Sequence[Between | Broken]) -> list[Between | Broken]:
        kept: list[Between | Broken] = []
        mended = False
        for piece in pieces:
            last = kept[-1] if kept and not mended else None
            mended = False
            if isinstance(last, Broken) and isinstance(piece, Between) and self._belongs(channel, last, piece):
                *before, latest = last.portions
                portion = Portion(latest.run, latest.first, piece.closing)
                kept[-1] = Broken(last.opening, piece.closing, (*before, portion), last.windows)
                mended = True
            else:
                kept.append(piece)
            if isinstance(piece, Broken) and piece.opening is not None:
                from_us = piece.closing.from_us
                self.broken.setdefault(channel, []).append((from_us, from_us + _patience_us(piece.windows)))
        return kept

    def _belongs(self, channel: str, broken: Broken, gap: Between) -> bool:
        if broken.opening is None or gap.windows or gap.opening is not broken.closing:
            return False
        latest = broken.portions[-1]
        if latest.run is not gap.closing.run or gap.opening.to_us - gap.opening.from_us > _patience_us(broken.windows):
            return False
        most = _expected(channel, broken).most
        return most is None or gap.closing.total - latest.first.total <= most

    def stands(self, run: Run, index: int) -> bool:
        """The meter showed the counts of this sample, each channel its own, for so long that no stretch goes on over
        it.
        """
        return all(self._stands_in(channel, run, index) for channel, _ in run.samples[index].totals)

    def _stands_in(self, channel: str, run: Run, index: int) -> bool:
        first, last, following = _level_around(channel, run.samples, index)
        from_us = first.plateau.first_received_us
        until_us = max(from_us, last.plateau.last_sent_us)
        begun = ((begin_us, end_us) for begin_us, end_us in self.broken.get(channel, ()) if begin_us >= from_us)
        waited = all(until_us > end_us for begin_us, end_us in begun if begin_us <= until_us)
        next_us = None if following is None else following.plateau.first_received_us
        return waited and _parts(from_us, until_us, next_us, self.rules)


def _level_around(channel: str, samples: Sequence[Sample], index: int) -> tuple[Sample, Sample, Sample | None]:
    """The first and last samples of the level that one of its samples lies in, and the first of the next level.

    An answer without the channel, between two that have it, parts nothing.
    """
    first = last = samples[index]
    following = None
    total = first.total(channel)
    for sample in (samples[at] for at in range(index - 1, -1, -1)):
        here = sample.total(channel)
        if here is not None and here != total:
            break
        first = first if here is None else sample
    for sample in islice(samples, index + 1, None):
        here = sample.total(channel)
        if here is not None and here != total:
            following = sample
            break
        last = last if here is None else sample
    return first, last, following


def _gaps_joined(pieces: Iterable[Between | Broken], rules: Rules) -> list[Between | Broken]:
    kept: list[Between | Broken] = []
    for piece in pieces:
        last = kept[-1] if kept else None
        if isinstance(last, Between) and isinstance(piece, Between) and _goes_on(last, piece, rules):
            kept[-1] = Between(last.opening, piece.closing, ())
        else:
            kept.append(piece)
    return kept


def _goes_on(gap: Between, following: Between, rules: Rules) -> bool:
    if gap.windows or following.windows or following.opening is not gap.closing:
        return False
    level, next_us = gap.closing, following.closing.from_us
    if level.run is not following.closing.run or _noted(gap, rules) != _noted(following, rules):
        return False
    return not _parts(level.from_us, level.to_us, next_us, rules)


def _parts(from_us: int, until_us: int, next_us: int | None, rules: Rules) -> bool:
    """A level, from when until when it was seen, and when the next one was: None where it lasts."""
    settle_us = rules.settle_us(from_us)
    return until_us - from_us >= settle_us or (next_us is not None and next_us - from_us > SOON * settle_us)


def _noted(gap: Between, rules: Rules) -> str:
    return rules.noted_work(gap.opening.to_us, gap.closing.from_us)


def _patience_us(windows: Iterable[Window]) -> int:
    """How long a release's pages may still begin to come."""
    return max((window.release.policy.unmoved_us for window in windows), default=0)


def _expected(channel: str, broken: Broken) -> Interval:
    unit = broken.closing.count.unit
    return total_of([expected_of(channel, unit, window.release).count for window in broken.windows])
