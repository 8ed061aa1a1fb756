"""Facts that were first written in another journal: a site's, which forwards what it sealed to this one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Protocol

from pagereeve.domain.facts.facts import Fact, SiteChecked
from pagereeve.domain.forwarding.batch import SealedPlace

ORIGINS_MAX: Final = 10_000
CHECKS_MAX: Final = 10_000


@dataclass(frozen=True, slots=True)
class ForwardedFact:
    """``place`` counts what its journal sealed, from 1. ``body`` is the fact's canonical JSON as it stands there, and
    ``openings`` what opens its commitments; None: its row is gone there, and its link alone keeps the chain.
    """

    place: int
    held: SealedPlace
    body: str | None
    openings: str = ""


@dataclass(frozen=True, slots=True)
class KnownOrigin:
    """A site's journal, and the highest of its places that is held here: all below it are."""

    number: int
    id: str
    site: str
    place: int


@dataclass(frozen=True, slots=True)
class Forwarded:
    """``place`` is the highest that is held now; ``facts`` of those given were new. ``since_us`` says since when rows
    may be others, by the timeline's name here: of each that got facts, and of each that holds one of these events too.
    """

    place: int
    facts: int = 0
    since_us: Mapping[str, int] = field(default_factory=dict)


class OriginReads(Protocol):
    async def own_origin(self) -> str:
        """This journal's own id: random, 32 hexadecimal digits."""
        ...

    async def origins(self) -> Sequence[KnownOrigin]:
        """The first ORIGINS_MAX of the others, in order of their sites."""
        ...

    async def held_places(self, origin: str, after: int, limit: int) -> Mapping[int, SealedPlace]:
        """What is held of an origin behind a place, the next ``limit``."""
        ...

    async def held_tips(self, origin: str, timelines: Sequence[str]) -> Mapping[str, SealedPlace]:
        """Of these of its timelines, as they are called there, the latest that is held."""
        ...

    async def twins(self, keys: Sequence[tuple[str, str]]) -> Sequence[Fact]:
        """What any journal holds of these events (source, id), on whatever timeline, with the copies of end notices
        that were placed; without what was kept aside, and what is void or damaged.
        """
        ...

    async def site_checks(self) -> Mapping[str, SiteChecked]:
        """The latest of each of those sites, among the latest CHECKS_MAX of all."""
        ...


class OriginWrites(Protocol):
    async def append_forwarded(self, origin: str, site: str, facts: Sequence[ForwardedFact]) -> Forwarded:
        """Store what is new of them in one transaction, or nothing; returns once it is durable.

        Places must follow one another, and follow what is held; what is held already is compared by its link, and
        changes nothing. Each link is computed anew. A site is known from its first fact on, under one id for ever.
        Raises BatchRefused, JournalUnavailable.
        """
        ...
