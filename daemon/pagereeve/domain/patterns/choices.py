"""Which counter stands for a channel by now, and for what reason: what people, releases and readings say, joined.

A person's word goes first, then a living counter in the place of a dead one, then proven prints before the total. Where
none of them says anything, the standard's own counter that readings show is put on record.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from pagereeve.domain.brackets.chosen import BY_DEFAULT, Chosen
from pagereeve.domain.brackets.prints import TOTAL
from pagereeve.domain.facts.facts import CounterChosen
from pagereeve.domain.facts.reading import Sight
from pagereeve.domain.patterns.prints_proof import PrintsProof, prints_wanted
from pagereeve.domain.patterns.witnesses import BY_A_PERSON, WitnessMemory, counters_wanted
from pagereeve.domain.values.records import dataclass

# prtMarkerLifeCount (RFC 3805 section 6).
STANDARD: Final = "1.3.6.1.2.1.43.10.2.1.4."


@dataclass(frozen=True, slots=True)
class Shown:
    """What the latest reading shows: the object of its total, and those of all its counters."""

    total: str = ""
    objects: tuple[str, ...] = ()


NOTHING_SHOWN: Final = Shown()


def shown_in(sight: Sight) -> Shown:
    total = sight.count(TOTAL)
    objects = {one.object for one in sight.counters} | {count.object for _, count in sight.counts}
    return Shown("" if total is None else total.object, tuple(sorted(objects - {""})))


def choices_wanted(
    in_force: Chosen, witnesses: WitnessMemory, proof: PrintsProof, person: str, shown: Shown
) -> tuple[CounterChosen, ...]:
    """``person``: the object that the settings name for the total; empty for none.

    One that no reading has shown is not chosen: the channel would have no count at all.
    """
    kept = [one for one in in_force if one.reason != BY_A_PERSON or one.object == person]
    if person and (person in shown.objects or any(one.reason == BY_A_PERSON for one in kept)):
        kept = [*(one for one in kept if one.channel != TOTAL), CounterChosen(TOTAL, person, BY_A_PERSON)]
    wanted = prints_wanted(proof, counters_wanted(witnesses, _ordered(kept)))
    return _with_default(wanted, in_force, shown)


def _with_default(wanted: Sequence[CounterChosen], in_force: Chosen, shown: Shown) -> tuple[CounterChosen, ...]:
    others = [one for one in wanted if one.reason != BY_DEFAULT]
    known = next((one for one in wanted if one.reason == BY_DEFAULT), None)
    if any(one.channel == TOTAL for one in others):
        return _ordered(others)
    if shown.total and not any(one.channel == TOTAL and one.reason != BY_DEFAULT for one in in_force):
        # Otherwise what is shown is what was chosen, and not the reading's own choice.
        known = CounterChosen(TOTAL, shown.total, BY_DEFAULT) if shown.total.startswith(STANDARD) else None
    return _ordered([*others, *([] if known is None else [known])])


def _ordered(chosen: Sequence[CounterChosen]) -> tuple[CounterChosen, ...]:
    return tuple(sorted(chosen, key=lambda one: one.channel))
