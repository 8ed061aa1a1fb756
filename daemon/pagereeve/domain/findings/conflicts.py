"""Deliveries that contradict what came first under their id: one finding for each source and day, whatever their
number.

All of it is a function of the set of deliveries, and bounded whatever a sender makes of it: of each source's so many
are counted, and the first few are shown; sources beyond the first SOURCES_MAX by name share one finding.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import field
from typing import Final

from pagereeve.domain.facts.facts import Conflict
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.findings import finding as find
from pagereeve.domain.ledger import Finding
from pagereeve.domain.values.codec import INSTANT, TEXT, Codec, Member, inner, integer, placed
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.domain.values.records import dataclass

DELIVERIES_MAX: Final = 1_000
"""So many of one source and day are counted: that there are more says as much as how many there are."""
SOURCES_MAX: Final = 15
SHOWN_MAX: Final = 5
DAY_US: Final = 86_400 * SECOND_US
POOLED: Final = ""
"""In the place of a source: all those beyond SOURCES_MAX."""

Days = dict[int, dict[str, list[Conflict]]]


@dataclass(frozen=True, slots=True, order=True)
class Delivery:
    at_us: int
    source: str
    event: str
    digest: str
    kind: str


@dataclass(frozen=True, slots=True)
class Tally:
    """One source's deliveries of the day that began at ``day_us``, and the first of them; ``source`` may be POOLED."""

    day_us: int
    source: str
    count: int
    first: tuple[Delivery, ...]

    @property
    def until_us(self) -> int:
        """From when on no delivery counts here."""
        return self.day_us + DAY_US

    def finding(self, printer: str) -> Finding:
        first, anchor = self.first[0], (self.source, self.day_us)
        what = shown.event_differs(first.source, first.event)
        if self.count > 1:
            what = shown.events_differ(self.source, self.count, at_least=self.count >= DELIVERIES_MAX)
        evidence = [piece for one in self.first for piece in shown.kept_aside(one.event, one.kind, one.digest)]
        return find.make("conflicting-duplicate", printer, anchor, first.at_us, what, evidence)


Tallies = tuple[Tally, ...]


@dataclass(slots=True)
class ConflictsKept:
    """Of any number of conflicts so many as a tally can tell from all of them, each once.

    Kept are the earliest of each source and day: those up to any instant are then all of them, or as many as are
    counted.
    """

    _days: Days = field(default_factory=dict)

    def add(self, conflict: Conflict) -> None:
        at_us = conflict.origin.at_us
        sources = self._days.setdefault(at_us - at_us % DAY_US, {})
        source = _place_for(conflict.origin.source, sources)
        kept = sources.setdefault(source, [])
        _keep(kept, [conflict])
        named = [name for name in sources if name != POOLED]
        if len(named) > SOURCES_MAX:
            # The last by name has no place of its own from here on: others before it can only become more.
            _keep(sources.setdefault(POOLED, []), sources.pop(max(named)))

    def all(self) -> list[Conflict]:
        return [one for sources in self._days.values() for kept in sources.values() for one in kept]

    def drop_until(self, at_us: int) -> int:
        """Forget what lies at that instant and before it; how many these were."""
        held = self.all()
        later = [one for one in held if one.origin.at_us > at_us]
        self._days = {}
        for one in later:
            self.add(one)
        return len(held) - len(later)


def tallied(before: Tallies, conflicts: Iterable[Conflict]) -> Tallies:
    """In order of days and sources. ``before`` knows of none of the conflicts, and each is there once."""
    days: dict[int, dict[str, Tally]] = {}
    for tally in [*before, *_by_source(conflicts)]:
        sources = days.setdefault(tally.day_us, {})
        known = sources.get(tally.source)
        sources[tally.source] = tally if known is None else _joined(tally.source, known, tally)
    return tuple(tally for day_us in sorted(days) for tally in _pooled(days[day_us]))


def open_at(tallies: Tallies, at_us: int) -> Tallies:
    """Those to which a delivery after that instant may belong."""
    return tuple(one for one in tallies if one.until_us > at_us)


def _place_for(source: str, sources: Iterable[str]) -> str:
    named = [name for name in sources if name != POOLED]
    return source if source in named or len(named) < SOURCES_MAX or source < max(named) else POOLED


def _keep(kept: list[Conflict], more: Sequence[Conflict]) -> None:
    for conflict in more:
        order = _order(conflict)
        place = bisect_left(kept, order, key=_order)
        if place < DELIVERIES_MAX and not (place < len(kept) and _order(kept[place]) == order):
            kept.insert(place, conflict)
            del kept[DELIVERIES_MAX:]


def _order(conflict: Conflict) -> Delivery:
    origin = conflict.origin
    return Delivery(origin.at_us, origin.source, origin.id, conflict.digest, conflict.kind)


def _by_source(conflicts: Iterable[Conflict]) -> Iterator[Tally]:
    found: dict[tuple[int, str], list[Delivery]] = {}
    for conflict in conflicts:
        at_us = conflict.origin.at_us
        found.setdefault((at_us - at_us % DAY_US, conflict.origin.source), []).append(_order(conflict))
    for (day_us, source), deliveries in found.items():
        first = tuple(sorted(deliveries)[:SHOWN_MAX])
        yield Tally(day_us, source, min(len(deliveries), DELIVERIES_MAX), first)


def _joined(source: str, one: Tally, other: Tally) -> Tally:
    first = tuple(sorted({*one.first, *other.first})[:SHOWN_MAX])
    return Tally(one.day_us, source, min(one.count + other.count, DELIVERIES_MAX), first)


def _pooled(sources: dict[str, Tally]) -> list[Tally]:
    names = sorted(name for name in sources if name != POOLED)
    tallies = [sources[name] for name in names[:SOURCES_MAX]]
    rest = [sources[name] for name in (*names[SOURCES_MAX:], POOLED) if name in sources]
    if not rest:
        return tallies
    pool = Tally(rest[0].day_us, POOLED, 0, ())
    for tally in rest:
        pool = _joined(POOLED, pool, tally)
    return [pool, *tallies]


DELIVERY: Final = Codec(
    Delivery,
    Member("at_us", INSTANT, "at"),
    Member("source", TEXT),
    Member("event", TEXT),
    Member("digest", TEXT),
    Member("kind", TEXT, "type"),
)
TALLY: Final = Codec(
    Tally,
    Member("day_us", INSTANT, "day"),
    Member("source", TEXT, default=POOLED),
    Member("count", integer(1, DELIVERIES_MAX)),
    Member("first", placed(inner(DELIVERY), SHOWN_MAX)),
)
TALLIES_MAX: Final = SOURCES_MAX + 1
