"""Which counter stands for a channel: as it was read, or the one that was chosen, from the instant of that on.

A choice begins a new run: two counters are never subtracted from one another. A plateau that spans it is parted there,
as its counts are known all the while.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Final

from pagereeve.domain.brackets.prints import PRINTS, TOTAL, WHOLE
from pagereeve.domain.facts.facts import ChoiceReason, CounterChosen
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.reading import Count, Plateau, Sight

Chosen = tuple[CounterChosen, ...]

BY_DEFAULT: Final[ChoiceReason] = "standard-default"
"""A reading's own choice, put on record: it binds nothing."""


def with_chosen(plateaus: Sequence[Plateau], rules: Rules, after_us: int = -1) -> Sequence[Plateau]:
    """The plateaus as the choices in force have them, without what lies before ``after_us`` of one that is parted."""
    changes = list(_changes(rules))
    if not changes:
        return plateaus
    return [part for one in plateaus for part in _parted(one, changes, after_us)]


def _changes(rules: Rules) -> Iterator[tuple[int, Chosen]]:
    latest: Chosen = ()
    for fact in rules.learned:
        chosen = tuple(one for one in fact.chosen if one.reason != BY_DEFAULT)
        if chosen != latest:
            latest = chosen
            yield fact.at_us, latest


def _parted(plateau: Plateau, changes: Iterable[tuple[int, Chosen]], after_us: int) -> Iterator[Plateau]:
    chosen: Chosen = ()
    rest = plateau
    for at_us, then in changes:
        if at_us > rest.last_sent_us:
            break
        if at_us > rest.first_received_us:
            if at_us > after_us:
                yield _as_chosen(_until(rest, at_us), chosen)
            rest = _from(rest, at_us)
        chosen = then
    yield _as_chosen(rest, chosen)


def _until(plateau: Plateau, at_us: int) -> Plateau:
    end_us, more = at_us - 1, at_us - 1 > plateau.first_received_us
    count = 2 if more and plateau.count > 1 else 1
    cut = replace(plateau, last_sent_us=end_us, last_received_us=end_us, count=count)
    return replace(cut, last_uptime_cs=None, last_power_on=plateau.first_power_on)


def _from(plateau: Plateau, at_us: int) -> Plateau:
    cut = replace(plateau, first_sent_us=at_us, first_received_us=at_us, count=max(1, plateau.count - 1))
    return replace(cut, first_uptime_cs=None, first_power_on=plateau.last_power_on)


def _as_chosen(plateau: Plateau, chosen: Chosen) -> Plateau:
    if not chosen:
        return plateau
    return replace(plateau, sight=chosen_sight(plateau.sight, chosen))


def chosen_sight(sight: Sight, chosen: Chosen) -> Sight:
    """An answer without the chosen counter has no count of the channel: never another counter's in its place.

    Where prints stand in the total's place, the total is kept beside them, as what the whole meter counted.
    """
    counts = dict(sight.counts)
    for one in chosen:
        known = counts.pop(one.channel, None)
        if known is not None and known.object == one.object:
            counts[one.channel] = known
            continue
        if known is not None and one.channel == TOTAL and one.object in _objects_of(sight, PRINTS):
            counts[WHOLE] = known
        count = _count_of(sight, one.object)
        if count is not None:
            counts[one.channel] = count
    return replace(sight, counts=tuple(sorted(counts.items())))


def _objects_of(sight: Sight, channel: str) -> set[str]:
    objects = {one.object for one in sight.counters if one.channel == channel and not one.part}
    count = sight.count(channel)
    return objects if count is None else objects | {count.object}


def _count_of(sight: Sight, name: str) -> Count | None:
    """What a counter of the answer shows, or a sum that stands for a channel in it."""
    for counter in sight.counters:
        if counter.object == name:
            return Count(counter.value, counter.unit, counter.modulus, counter.object, counter.grade)
    return next((count for _, count in sight.counts if count.object == name), None)
