"""What may be meant by the name of a release that nobody knows: names like it, and what ran beside the nearest."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from pagereeve.domain.ledger import Charge, ReleaseKey
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.edits import edits
from pagereeve.domain.values.instants import FOREVER_US, SECOND_US
from pagereeve.domain.values.nearest import KnownNames
from pagereeve.ports.reads import Reads

DAY_US: Final = 86_400 * SECOND_US
# The latest releases first: one that somebody asks for is seldom old. Each span is read to its end or to ROWS_MAX.
SPANS_US: Final = (DAY_US // 12, 2 * DAY_US, 31 * DAY_US, 366 * DAY_US)
ROWS_MAX: Final = 20_000
NAMES_MAX: Final = 5
NAME_SHOWN_MAX: Final = 60
NAME_ASKED_MAX: Final = 200

Why = Literal["name", "before", "after"]


@dataclass(frozen=True, slots=True)
class NearRelease:
    """``why`` it is offered: its name is like the one asked for, or it ran at the same printer next to the nearest."""

    release: ReleaseKey
    printer: str
    started_us: int
    why: Why


class NoSuchRelease(BadQuestion):
    """``near``: the nearest name first."""

    def __init__(self, release: str, near: Sequence[NearRelease]) -> None:
        shown = release[:NAME_SHOWN_MAX]
        super().__init__(
            "RELEASE",
            f"no release {shown!r} is known; names are exact, capitals too, as the release server gave them",
        )
        self.near = tuple(near)


async def near_releases(reads: Reads, name: str, source: str | None = None) -> list[NearRelease]:
    """At most NAMES_MAX like the name and two beside the nearest, of the latest releases; empty where none is near."""
    newest_us = await reads.newest_us()
    for span_us in SPANS_US if newest_us is not None else ():
        known = await _latest(reads, (newest_us or 0) - span_us, source)
        near = _like(name, known)
        if near:
            return [*near, *_beside(near[0], known)]
    return []


async def _latest(reads: Reads, from_us: int, source: str | None) -> list[NearRelease]:
    known: dict[tuple[ReleaseKey, str, int], NearRelease] = {}
    rows = 0
    async for one in reads.charges(from_us, FOREVER_US):
        rows += 1
        if rows > ROWS_MAX:
            break
        if source is None or one.release.source == source:
            known[_place(one)] = NearRelease(*_place(one), "name")
    return list(known.values())


def _place(one: Charge) -> tuple[ReleaseKey, str, int]:
    return one.release, one.printer, one.started_us


def _like(name: str, known: Iterable[NearRelease]) -> list[NearRelease]:
    """By the number of slips, the latest first of those that are equally near. Case is no slip."""
    by_name = {one.release.release.casefold(): one for one in sorted(known, key=_started_us)}
    asked = name[:NAME_ASKED_MAX].casefold()
    like = KnownNames(by_name).near(asked)
    slips = {one: edits(asked, one) for one in like}
    ordered = sorted(like, key=lambda one: (slips[one], -by_name[one].started_us, one))
    return [by_name[one] for one in ordered[:NAMES_MAX]]


def _beside(nearest: NearRelease, known: Sequence[NearRelease]) -> list[NearRelease]:
    here = [one for one in known if one.printer == nearest.printer and one.release != nearest.release]
    earlier = max((one for one in here if one.started_us <= nearest.started_us), key=_started_us, default=None)
    later = min((one for one in here if one.started_us > nearest.started_us), key=_started_us, default=None)
    whys: tuple[tuple[NearRelease | None, Why], ...] = ((earlier, "before"), (later, "after"))
    return [NearRelease(one.release, one.printer, one.started_us, why) for one, why in whys if one is not None]


def _started_us(one: NearRelease) -> int:
    return one.started_us
