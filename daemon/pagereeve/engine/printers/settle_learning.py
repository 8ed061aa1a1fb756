"""How one printer comes to rest, what its counters step in, and which of them lives, learnt from what its watcher
projects.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

from pagereeve.domain.facts.facts import SettleLearned
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.ledger import ReleaseKey
from pagereeve.domain.patterns.choices import NOTHING_SHOWN, Shown, choices_wanted, shown_in
from pagereeve.domain.patterns.prints_proof import NO_PROOF, PrintsProof
from pagereeve.domain.patterns.units import NO_UNITS, UnitMemory
from pagereeve.domain.patterns.witnesses import NO_WITNESSES, WitnessMemory
from pagereeve.domain.projection.projection import Projected
from pagereeve.domain.projection.settle_time import (
    REMEMBERED,
    Observed,
    differs,
    observe,
    settle_time_us,
    short_until_us,
)
from pagereeve.domain.projection.state_belief import ALIKE, Rested, rests_seen, state_believed
from pagereeve.domain.projection.unit_learning import units_wanted


@dataclass(frozen=True, slots=True)
class _Counting:
    """What says which counter is billed."""

    counter: str = ""
    prints: PrintsProof = NO_PROOF
    shown: Shown = NOTHING_SHOWN


NO_COUNTING: Final = _Counting()


def _counting_of(view: Projected, counter: str) -> _Counting:
    run = view.runs.runs[-1] if view.runs.runs else None
    shown = shown_in(run.samples[-1].plateau.sight) if run is not None and run.samples else NOTHING_SHOWN
    return _Counting(counter, view.prints[-1][1] if view.prints else view.before.prints, shown)


@dataclass(slots=True)
class SettleLearner:
    """``watch_until_us``: a bracket came out short, and the missing pages may still surface until then.

    ``counter``: the object that the settings name for the total; empty for none.
    """

    watch_until_us: int = 0
    counter: str = ""
    _observed: dict[ReleaseKey, Observed] = field(default_factory=dict)
    _rested: tuple[Rested, ...] = ()
    _units: UnitMemory = NO_UNITS
    _witnesses: WitnessMemory = NO_WITNESSES
    _counting: _Counting = NO_COUNTING

    def look(self, view: Projected) -> bool:
        """Take in what a projection shows; False where it shows nothing new."""
        self.watch_until_us = short_until_us(view)
        oldest_us = min(self._starts(), default=0) if len(self._observed) == REMEMBERED else 0
        news = [
            one
            for one in observe(view, self._observed)
            if one.start_us >= oldest_us and self._observed.get(one.key) != one
        ]
        self._observed.update((one.key, one) for one in news)
        while len(self._observed) > REMEMBERED:
            oldest = min(self._observed.values(), key=lambda one: (one.start_us, one.key))
            del self._observed[oldest.key]
        known, self._rested = self._rested, tuple(sorted({*self._rested, *rests_seen(view.windows)})[-ALIKE:])
        units, self._units = self._units, view.units[-1][1] if view.units else view.before.units
        before, self._witnesses = self._witnesses, view.witnesses[-1][1] if view.witnesses else view.before.witnesses
        counting, self._counting = self._counting, _counting_of(view, self.counter)
        learnt = bool(news) or self._rested != known or counting != self._counting
        return learnt or units.shown != self._units.shown or before != self._witnesses

    def _starts(self) -> Iterator[int]:
        return (one.start_us for one in self._observed.values())

    def wanted(self, printer: str, rules: Rules, now_us: int) -> SettleLearned | None:
        """What was learnt, if it differs enough from what is in force to become a fact."""
        in_force_us, believed = rules.settle_us(now_us), rules.state_believed(now_us)
        wanted_us = settle_time_us(self._observed.values(), rules.policy_at(now_us), in_force_us)
        believes = state_believed(self._rested, in_force=believed)
        if not differs(wanted_us, in_force_us):
            wanted_us = in_force_us
        units = units_wanted(self._units, rules, now_us)
        in_force = rules.chosen(now_us)
        chosen = choices_wanted(in_force, self._witnesses, self._counting.prints, self.counter, self._counting.shown)
        known = (in_force_us, believed, rules.units_learned(now_us), in_force)
        if (wanted_us, believes, units, chosen) == known:
            return None
        return SettleLearned(printer, now_us, wanted_us, believes, units, chosen)
