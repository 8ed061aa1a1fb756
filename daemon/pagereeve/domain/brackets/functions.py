"""Copies and faxes: what the meter itself counts as another function's is taken out of the total before it is judged.

A total counts prints, copies and faxes alike (docs.cpp.canon M124813, prtMarkerGroup; Ricoh SP 310DN service manual).
A meter that counts copies or faxes apart says how many of its pages no release made; one that counts prints says it
too, by what is left. Of a stretch only the difference counts, at its edges and at each level inside it, so that it does
not matter how a bracket is split.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import replace
from typing import Final

from pagereeve.domain.brackets.expectation import FUNCTION_CHANNELS
from pagereeve.domain.brackets.partition import Between, Cut
from pagereeve.domain.brackets.prints import PRINTS, TOTAL, WHOLE
from pagereeve.domain.brackets.runs import Sample
from pagereeve.domain.values.records import dataclass

_ALL: Final = frozenset({TOTAL, WHOLE})
_APART: Final = frozenset({*FUNCTION_CHANNELS, PRINTS})


@dataclass(frozen=True, slots=True)
class Apart:
    """How pages of other functions are known in one stretch: these channels, or the channel's less what was printed."""

    names: tuple[str, ...]
    channel: str = TOTAL

    def at(self, sample: Sample) -> int | None:
        """A figure of which the differences are pages; None where the answer doesn't carry all of it."""
        pages = 0
        for name in self.names or (self.channel, PRINTS):
            counted = sample.total(name)
            if counted is None:
                return None
            pages += -counted if name == PRINTS else counted
        return pages


def apart_in(channel: str, between: Between) -> Apart | None:
    """How the meter counts other functions apart in a stretch of the total; None where it doesn't.

    Figures that can't be parts of this total, or that count in another unit, say nothing of it. A counter of prints
    that did not move while somebody printed is not believed against the total.
    """
    opening, closing = between.opening, between.closing
    if channel not in _ALL or opening.run is not closing.run or not closing.run.has_shown_any(_APART):
        return None
    edges = _sample_at(opening, opening.to_us), _sample_at(closing, closing.from_us)
    names = tuple(name for name in FUNCTION_CHANNELS if _moved(name, channel, *edges) is not None)
    prints = _moved(PRINTS, channel, *edges) or 0
    if names and 0 <= sum(_moved(name, channel, *edges) or 0 for name in names) <= between.counted - prints:
        return Apart(names, channel)
    counter = edges[1].plateau.sight.count(PRINTS)
    alive = prints > 0 or (not between.windows and not names and counter is not None and counter.value > 0)
    is_part = _moved(PRINTS, channel, *edges) is not None and prints <= between.counted
    return Apart((), channel) if alive and is_part else None


def without_functions(between: Between, apart: Apart | None) -> Between:
    """The same stretch; its edges know what other functions had counted by then."""
    if apart is None:
        return between
    opening, closing = between.opening, between.closing
    before = apart.at(_sample_at(opening, opening.to_us)) or 0
    after = apart.at(_sample_at(closing, closing.from_us)) or 0
    if (before, after) == (opening.others, closing.others):
        return between
    return replace(between, opening=replace(opening, others=before), closing=replace(closing, others=after))


def _sample_at(cut: Cut, at_us: int) -> Sample:
    """What the meter showed at the cut's edge: one sample, so that it is the same wherever a projection began."""
    samples = cut.run.samples
    return samples[max(0, bisect_right(samples, at_us, key=_begins_us) - 1)]


def _begins_us(sample: Sample) -> int:
    return sample.plateau.first_received_us


def _moved(name: str, channel: str, before: Sample, after: Sample) -> int | None:
    """Steps of a counter between two answers; None where one lacks it, where its own run ended in between, or where it
    counts in another unit than the channel.
    """
    left, right = before.total(name), after.total(name)
    counter, total = after.plateau.sight.count(name), after.plateau.sight.count(channel)
    if left is None or right is None or counter is None or before.number(name) != after.number(name):
        return None
    return right - left if total is None or counter.unit is total.unit else None
