"""How many printers each worker watches, and which ones it takes or gives up. Pure: everybody who sees the same workers
and printers comes to the same figures.

Printers that the same workers know are shared among these, so that each printer that anybody knows has its place with
somebody who knows it. Parts of such a group differ by one at most. Printers behind one gateway stay together where that
costs no fairness: it changes only which printer is taken or given up, never how many. That is the simplest that keeps
both; to hand gateways over whole would leave one worker with a large gateway's hundred printers, and another with none.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Group:
    """``printers`` that ``workers`` know, and nobody else alive does."""

    workers: tuple[int, ...]
    printers: frozenset[str]


def groups_of(me: int, knows: Mapping[int, frozenset[str]]) -> list[Group]:
    """All that I know, by who else knows it. While lists are the same everywhere that is one group."""
    mine = knows[me]
    if all(one is mine or one == mine for one in knows.values()):
        return [Group(tuple(sorted(knows)), mine)]
    known_to: dict[tuple[int, ...], set[str]] = {}
    workers = sorted(knows)
    for name in mine:
        known_to.setdefault(tuple(one for one in workers if name in knows[one]), set()).add(name)
    return [Group(workers, frozenset(names)) for workers, names in sorted(known_to.items())]


def part_of(me: int, workers: Sequence[int], printers: int) -> int:
    """How many of ``printers`` are mine; the first workers, by their numbers, have one more where it doesn't come out
    even. All of them together have all printers.
    """
    place = sorted(workers).index(me)
    each, over = divmod(printers, len(workers))
    return each + (place < over)


def given_up(mine: Collection[str], part: int, gateway_of: Mapping[str, str]) -> list[str]:
    """What is too much for my part: first those of the gateways of which I have the fewest."""
    there = Counter(gateway_of.get(name, "") for name in mine)

    def order(name: str) -> tuple[int, str, str]:
        gateway = gateway_of.get(name, "")
        return there[gateway], gateway, name

    return sorted(mine, key=order)[: max(0, len(mine) - part)]


def wanted(mine: Collection[str], among: Collection[str], gateway_of: Mapping[str, str]) -> list[str]:
    """All others of ``among``, in the order in which I should like to have them: first of the gateways of which I have
    the most, then one gateway after another.
    """
    there = Counter(gateway_of.get(name, "") for name in mine)
    there.pop("", None)
    others = set(among).difference(mine)

    def order(name: str) -> tuple[int, str, str]:
        gateway = gateway_of[name]
        return -there[gateway], gateway, name

    return sorted(others, key=order)
