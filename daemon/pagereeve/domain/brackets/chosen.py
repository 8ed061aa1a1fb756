"""Which counter stands for a channel: as it was read, or the one that was chosen, from the instant of that on.

A choice begins a new run: two counters are never subtracted from one another. A plateau that spans it is parted there,
as its counts are known all the while.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from pagereeve.domain.facts.facts import CounterChosen
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.reading import Count, Plateau, Sight

Chosen = tuple[CounterChosen, ...]


def with_chosen(plateaus: Sequence[Plateau], rules: Rules, after_us: int = -1) -> Sequence[Plateau]:
    """The plateaus as the choices in force have them, without what lies before ``after_us`` of one that is parted."""
    changes = list(_changes(rules))
    if not changes:
        return plateaus
    return [part for one in plateaus for part in _parted(one, changes, after_us)]


def _changes(rules: Rules) -> Iterator[tuple[int, Chosen]]:
    latest: Chosen = ()
    for fact in rules.learned:
        if fact.chosen != latest:
            latest = fact.chosen
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
    """An answer without the chosen counter has no count of the channel: never another counter's in its place."""
    counts = dict(sight.counts)
    for one in chosen:
        known = counts.pop(one.channel, None)
        if known is not None and known.object == one.object:
            counts[one.channel] = known
            continue
        counter = next((each for each in sight.counters if each.object == one.object), None)
        if counter is not None:
            unit, modulus, grade = counter.unit, counter.modulus, counter.grade
            counts[one.channel] = Count(counter.value, unit, modulus, counter.object, grade)
    return replace(sight, counts=tuple(sorted(counts.items())))
