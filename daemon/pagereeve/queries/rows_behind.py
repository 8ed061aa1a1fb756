"""Are a printer's open rows those of its facts without the latest few? Asked by few projections, not by one for each.

Rows name the instants of readings and releases: where a projection of fewer facts has later ones than the rows, the
rows knew fewer; where it has earlier ones, they knew more.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

from pagereeve.domain.facts.facts import Fact, PlateauRead, ReadFailed, ReleaseStarted
from pagereeve.domain.projection.projector import Ledger

BEHIND_MAX: Final = 32
"""So many of a printer's latest facts may be unprojected; a group commit and a moment's haste are fewer."""
PROJECTIONS_MAX: Final = 16
"""Two for each number of facts that is tried; five such numbers find one among 32."""
_NEWEST: Final = 6

Run = PlateauRead | ReadFailed
Project = Callable[[Sequence[Fact], Run | None], Ledger]
"""The open rows of these facts, with what the meter was doing then."""


def are_of_fewer_facts(facts: Sequence[Fact], run: Run | None, stood: Ledger, project: Project) -> bool:
    """Whether they follow from the facts as they were one fact ago, two ago ..., as far as PROJECTIONS_MAX allow."""
    oldest, most, place = max(0, len(facts) - BEHIND_MAX), len(facts), _first_unknown(facts, stood)
    fewest = oldest
    wanted, tried = _newest(stood), set[int]()
    for turn in range(PROJECTIONS_MAX // 2):
        known, came = facts[:place], list[Ledger]()
        # Of the reading that was under way then the rows may know nothing either.
        for running in (next((one for one in facts[place:] if isinstance(one, Run)), run), None):
            came.append(project(known, running))
            if came[-1] == stood:
                return True
        tried.add(place)
        newest = _newest(came[0])
        if newest > wanted:
            most = place - 1
        elif newest < wanted:
            fewest = place + 1
        left = [one for one in range(oldest, len(facts) + 1) if one not in tried]
        place = _next(place, left, fewest, most, 2**turn)
        if place < 0:
            return False
    return False


def _next(place: int, left: Sequence[int], fewest: int, most: int, step: int) -> int:
    """Between what is too few and too many, by strides where nothing was too few yet; where a wrong clock hid it, from
    the latest on. -1: none is left.
    """
    between = [one for one in left if fewest <= one <= most]
    if not between:
        return left[-1] if left else -1
    if fewest <= place <= most:
        return min(between, key=lambda one: abs(one - place))
    return between[max(0, len(between) - step)] if fewest == left[0] else between[len(between) // 2]


def _newest(rows: Ledger) -> list[int]:
    """The latest instants that the rows name."""
    instants = [one.closes_us for one in rows.stretches]
    instants += [one.since_us for one in rows.findings]
    instants += [one.started_us for one in rows.charges]
    return sorted(instants, reverse=True)[:_NEWEST]


def _first_unknown(facts: Sequence[Fact], rows: Ledger) -> int:
    """A guess: up to the first release of the latest facts that no row names, behind the last that one does."""
    named = {(one.release.source, one.release.release) for one in rows.charges}
    place = len(facts)
    for number in range(len(facts) - 1, max(0, len(facts) - BEHIND_MAX) - 1, -1):
        fact = facts[number]
        if isinstance(fact, ReleaseStarted):
            if (fact.origin.source, fact.release) in named:
                break
            place = number
    return place
