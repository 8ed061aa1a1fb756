"""Who belonged to which cost centre when: an assignment holds from its date on, until the owner's next one."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable

from pagereeve.domain.facts.facts import Assigned, Fact
from pagereeve.domain.facts.owners import owner_key

NOBODY_SAID = ""
"""The cost centre of an owner whom no assignment named yet."""


class CostCentres:
    def __init__(self, facts: Iterable[Fact] = ()) -> None:
        self._known: dict[str, list[tuple[int, str]]] = {}
        for fact in facts:
            self.add(fact)

    def add(self, fact: Fact) -> None:
        """Take an assignment; other facts say nothing here. Of two of the same time the later name in order holds."""
        if not isinstance(fact, Assigned):
            return
        moves = self._known.setdefault(owner_key(fact.owner), [])
        if (fact.at_us, fact.cost_centre) not in moves:
            moves.append((fact.at_us, fact.cost_centre))
            moves.sort()

    def at(self, owner: str, at_us: int) -> str:
        """The owner's cost centre at an instant; "" where nobody said."""
        moves = self._known.get(owner_key(owner), [])
        index = bisect_right(moves, at_us, key=lambda move: move[0])
        return moves[index - 1][1] if index else NOBODY_SAID

    def members(self, centre: str) -> frozenset[str]:
        """Keys of the owners (facts.owners) that belonged to it at any time."""
        return frozenset(key for key, moves in self._known.items() if any(name == centre for _, name in moves))

    def moves_us(self, from_us: int, to_us: int) -> list[int]:
        """The instants inside (from_us, to_us) at which anybody moved, in order."""
        known = {at_us for moves in self._known.values() for at_us, _ in moves}
        return sorted(at_us for at_us in known if from_us < at_us < to_us)
