"""The unit of a counter whose unit nobody says, learnt from releases: two are a fact, one odd answer is a glitch."""

from __future__ import annotations

from collections.abc import Sequence

from pagereeve.domain.facts.facts import UNIT_RELEASES_MAX, ShownBy, UnitLearned
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.patterns.units import ALIKE, UnitMemory, UnitShown


def units_wanted(memory: UnitMemory, rules: Rules, now_us: int) -> tuple[UnitLearned, ...]:
    """All that is learnt by now: what is in force, and what releases have shown since."""
    known = {(one.channel, one.object): one for one in rules.units_learned(now_us)}
    for counter in sorted({one.counter for one in memory.shown if not one.word}):
        since_us = rules.unit_since_us(*counter, now_us)
        # What was learnt, or contradicted, rests on releases before: only those from then on say more.
        mine = [one for one in memory.shown if one.counter == counter and not one.word and one.start_us >= since_us]
        in_force = rules.unit_learned(*counter, now_us)
        unit = unit_of([one.unit for one in mine], in_force)
        if unit is not None and unit is not in_force:
            known[counter] = UnitLearned(*counter, unit, _named(mine, unit, in_force))
    return tuple(known[counter] for counter in sorted(known))


def unit_of(shown: Sequence[Unit], in_force: Unit | None) -> Unit | None:
    """What releases of one counter, in order and since it last changed, say of its unit.

    What nobody has learnt (None) is learnt from two, if none contradicts them. What is in force stays so until the
    latest two contradict it: it is UNKNOWN then.
    """
    if in_force is None:
        return shown[0] if len(shown) >= ALIKE and len(set(shown)) == 1 else None
    contradicted = len(shown) >= ALIKE and all(unit is not in_force for unit in shown[-ALIKE:])
    return Unit.UNKNOWN if contradicted else in_force


def _named(mine: Sequence[UnitShown], unit: Unit, in_force: Unit | None) -> tuple[ShownBy, ...]:
    named = [one for one in mine if one.unit is unit or (unit is Unit.UNKNOWN and one.unit is not in_force)]
    return tuple(ShownBy(one.source, one.release) for one in named[-UNIT_RELEASES_MAX:])
