"""Sharing counted pages among a bracket's releases (domain/README.md, step 6). The parts always sum to the whole."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, Literal, get_args

from pagereeve.domain.brackets.expectation import total_of
from pagereeve.domain.ledger import Interval
from pagereeve.domain.values.records import dataclass

Share = Literal["share-as-expected", "share-by-readings", "share-by-jobs", "share-in-proportion"]
"""How a bracket's pages were shared among its releases; in proportion is where the meter can't separate them."""

SHARES: Final = frozenset(get_args(Share))


@dataclass(frozen=True, slots=True)
class Movement:
    """Pages counted between two inner readings, and who can have moved the meter then (indexes of releases)."""

    pages: int
    movers: tuple[int, ...]


def provable(counted: int, expected: Sequence[Interval], movements: Sequence[Movement]) -> list[int]:
    """Pages that surely are each release's, if nobody used the machine by hand: what moved while it alone was open, or
    what the others can't have had.

    In a surplus somebody did print what nobody expected: then it is only what moved while it alone was open.
    """
    alone, reach = [0] * len(expected), [0] * len(expected)
    for movement in movements:
        for mover in movement.movers:
            reach[mover] += movement.pages
        if len(movement.movers) == 1:
            alone[movement.movers[0]] += movement.pages
    most = total_of(list(expected)).most
    if most is not None and counted > most:
        return alone
    caps = [able if one.most is None else min(one.most, able) for one, able in zip(expected, reach, strict=True)]
    beyond_all = counted - sum(caps)
    left = [min(beyond_all + cap, able) for cap, able in zip(caps, reach, strict=True)]
    return [max(sure, free) for sure, free in zip(alone, left, strict=True)]


def largest_remainder(pages: int, weights: Sequence[int]) -> list[int]:
    """Whole parts of ``pages`` in proportion to the weights; the largest remainders round up, the earlier first."""
    weight = sum(weights)
    if weight == 0:
        return largest_remainder(pages, [1] * len(weights)) if weights else []
    parts = [pages * one // weight for one in weights]
    order = sorted(range(len(weights)), key=lambda index: (-(pages * weights[index] % weight), index))
    for index in order[: pages - sum(parts)]:
        parts[index] += 1
    return parts


def share_out(
    counted: int, expected: Sequence[Interval], movements: Sequence[Movement], sure: Sequence[int] = ()
) -> tuple[list[int], Share]:
    """Each release's part of ``counted``, and how it was found. Where the sum fits, each gets its own; else first what
    is ``sure``, as far as that does not contradict the count.
    """
    if total_of(list(expected)).holds(counted):
        return _own(counted, _narrowed(counted, expected, movements)), "share-as-expected"
    return _by_movement(counted, expected, movements, sure)


def _narrowed(counted: int, expected: Sequence[Interval], movements: Sequence[Movement]) -> Sequence[Interval]:
    """The intervals, each from what surely is the release's own on; as they were, where that contradicts the sum."""
    narrowed = [
        Interval(max(one.least, pages if one.most is None else min(one.most, pages)), one.most)
        for one, pages in zip(expected, provable(counted, expected, movements), strict=True)
    ]
    return narrowed if sum(one.least for one in narrowed) <= counted else expected


def _own(counted: int, expected: Sequence[Interval]) -> list[int]:
    """Its least for each, and the rest by the room that its interval leaves."""
    rest = counted - sum(one.least for one in expected)
    rooms = [rest if one.most is None else min(rest, one.most - one.least) for one in expected]
    extra = _within(rest, rooms)
    return [one.least + more for one, more in zip(expected, extra, strict=True)]


def _within(pages: int, rooms: Sequence[int]) -> list[int]:
    """Largest remainder in proportion to the rooms; as pages <= sum(rooms), no part exceeds its room."""
    return largest_remainder(pages, rooms) if pages else [0] * len(rooms)


def _by_movement(
    counted: int, expected: Sequence[Interval], movements: Sequence[Movement], sure: Sequence[int]
) -> tuple[list[int], Share]:
    parts = [0] * len(expected)
    for movement in movements:
        if len(movement.movers) == 1:
            parts[movement.movers[0]] += movement.pages
    known = [max(pair) for pair in zip(parts, sure, strict=True)] if sure else parts
    parts = known if sum(known) <= counted else parts
    left = counted - sum(parts)
    how: Share = "share-in-proportion" if left else "share-by-readings"
    owed = [max(0, one.least - part) for one, part in zip(expected, parts, strict=True)]
    if not any(owed):
        owed = [one.least for one in expected]
    return [part + more for part, more in zip(parts, largest_remainder(left, owed), strict=True)], how
