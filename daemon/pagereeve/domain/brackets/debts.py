"""What releases are owed together, over any stretch of their order, without adding them up again each time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from pagereeve.domain.brackets.windows import Release, expected_of
from pagereeve.domain.facts.reading import Unit


@dataclass(slots=True)
class _Sums:
    """Of the first n releases at place n: their least, their most, and how many have no most, or may print nothing."""

    least: list[int] = field(default_factory=lambda: [0])
    most: list[int] = field(default_factory=lambda: [0])
    unbounded: list[int] = field(default_factory=lambda: [0])
    unsure: list[int] = field(default_factory=lambda: [0])


class Debts:
    """Of releases in order; sums of ``releases[first:until]`` on a channel and in its unit."""

    def __init__(self, releases: Sequence[Release]) -> None:
        self._releases = releases
        self._sums: dict[tuple[str, Unit], _Sums] = {}

    def least(self, channel: str, unit: Unit, first: int, until: int) -> int:
        """What surely comes of them."""
        least = self._up_to(channel, unit, until).least
        return least[until] - least[first]

    def most(self, channel: str, unit: Unit, first: int, until: int) -> int | None:
        """What may come of them at most; None where nothing bounds it."""
        sums = self._up_to(channel, unit, until)
        if sums.unbounded[until] != sums.unbounded[first]:
            return None
        return sums.most[until] - sums.most[first]

    def are_sure(self, channel: str, unit: Unit, first: int, until: int) -> bool:
        """Each of them prints at least one page, and no more than is known."""
        unsure = self._up_to(channel, unit, until).unsure
        return unsure[until] == unsure[first]

    def _up_to(self, channel: str, unit: Unit, until: int) -> _Sums:
        sums = self._sums.setdefault((channel, unit), _Sums())
        for release in self._releases[len(sums.least) - 1 : until]:
            count = expected_of(channel, unit, release).count
            unbounded = count.most is None
            sums.least.append(sums.least[-1] + count.least)
            sums.most.append(sums.most[-1] + (count.most or 0))
            sums.unbounded.append(sums.unbounded[-1] + unbounded)
            sums.unsure.append(sums.unsure[-1] + (unbounded or count.least < 1))
        return sums
