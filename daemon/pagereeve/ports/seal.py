"""What is asked of the seal over the journal: its head, and what is sealed beside what stands there now."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from pagereeve.domain.facts.facts import Fact
from pagereeve.ports.journal import StoredFact


@dataclass(frozen=True, slots=True)
class SealHead:
    """The tree over the first ``size`` facts that were sealed in the journal ``origin``; ``head`` is hexadecimal.

    ``older`` of them were there before the first start that sealed, at ``since_us``; None until all these are sealed.
    """

    origin: str
    size: int
    head: str
    older: int | None
    since_us: int


@dataclass(frozen=True, slots=True)
class FoundFact:
    """A fact's row as it stands. ``digest`` is of its content, None where that can't be said; ``fact`` is None where
    it can't be read. ``wrong`` names columns that do not say what its body says. ``erased`` are its erased members
    with what stands in their places. ``is_own``: it was first written in this journal.
    """

    kind: str
    digest: bytes | None
    fact: Fact | None
    at_us: int
    shift_us: int | None
    wrong: Sequence[str] = ()
    erased: Mapping[str, Any] | None = None
    is_own: bool = True


@dataclass(frozen=True, slots=True)
class SealedEntry:
    """What is sealed under ``position`` (from 1), and what stands there now; ``found`` None: the row is gone.

    ``link`` None: it is no digest.
    """

    position: int
    printer: str
    seq: int
    link: bytes | None
    found: FoundFact | None = None


@dataclass(frozen=True, slots=True)
class NewlyStored:
    """What a fact is about, without what it says: ``position`` is the seal's, in which they were stored, from 1.

    ``at_us`` is when it happened, None for one that is void. ``source``, ``event_id`` and ``release`` are an event's.
    """

    position: int
    printer: str
    kind: str
    at_us: int | None
    source: str | None
    event_id: str | None
    release: str | None


@dataclass(frozen=True, slots=True)
class UnsealedFact:
    """A row that nobody sealed. ``same_as`` is the number of one with the same body, None where there is none."""

    printer: str
    seq: int
    kind: str
    same_as: int | None = None


@dataclass(frozen=True, slots=True)
class FactSurvey:
    """The first UNSEALED_MAX rows that nobody sealed, and all facts that gave others another date; in order."""

    unsealed: Sequence[UnsealedFact]
    redatings: Sequence[StoredFact]


@dataclass(frozen=True, slots=True)
class SealedContent:
    """A fact as an outsider checks it. ``content`` are the bytes that are sealed; ``openings`` gives salt and value of
    each commitment in it that may be opened, by the member's name.
    """

    seq: int
    content: str
    openings: Mapping[str, tuple[str, Any]]


UNSEALED_MAX = 1_000
PLACES_MAX = 1_000


class SealHeads(Protocol):
    async def seal_head(self) -> SealHead | None:
        """None where nothing was sealed yet."""
        ...


class SealReads(SealHeads, Protocol):
    async def stored_after(self, position: int, limit: int) -> Sequence[NewlyStored]:
        """The next ``limit`` facts that were sealed behind ``position``, in that order; one whose row is gone is
        left out.
        """
        ...

    async def last_position(self) -> int:
        """The highest place among the entries; 0 without one."""
        ...

    def sealed_facts(self, after: int = 0) -> AsyncIterator[SealedEntry]:
        """In order of their places, from the one behind ``after`` on, in bounded pages."""
        ...

    def sealed_links(self) -> AsyncIterator[SealedEntry]:
        """The same from the first on, without what stands there now."""
        ...

    async def fact_survey(self) -> FactSurvey:
        """Of every fact's row, its body aside."""
        ...

    async def digest_as(self, printer: str, position: int, other: int) -> bytes | None:
        """The digest of what stands under the number ``other``, if it were what is sealed at ``position``; None where
        it surely does not belong there.
        """
        ...

    async def sealed_content(self, printer: str, seq: int) -> SealedContent | None:
        """None where there is no such row, or it does not open."""
        ...

    async def release_places(self, source: str, release: str) -> Sequence[tuple[str, int]]:
        """(printer, number) of a release's notices, in order of their instants; the first PLACES_MAX."""
        ...

    async def wrong_claims(self) -> Sequence[tuple[str, int]]:
        """Kept-aside claims that are not what was written, as the (printer, number) of the facts that report them."""
        ...

    async def file_troubles(self) -> Sequence[str]:
        """What the database says of its own files: empty where it finds nothing wrong."""
        ...
