"""What people and other parts ask of the journal besides one printer's facts, and how it fares."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple, Protocol

from pagereeve.domain.facts.facts import Fact, PlateauRead, PrinterNoted, ReleaseStarted
from pagereeve.ports.journal import DamagedRow, Hindrance

LAST_EVENTS_OF_SOURCE: Final = 1_000
SOURCES_LOOKED_AT: Final = 200


@dataclass(frozen=True, slots=True)
class JournalHealth:
    """Figures since this process opened the journal; sizes are of now.

    ``last_commit_monotonic_us`` and ``last_commit_us`` are None before the first commit. ``failures`` counts groups
    that were not stored. ``alive`` is False once nothing can be stored any more. ``fence`` grows at each opening.
    ``hindrance`` says why nothing is stored now, None while it is. ``damaged_rows`` were found so when they were read.
    ``waiting_us`` is how long the oldest write has waited that is not answered. ``sealed_facts`` are in the seal.
    ``stale``: rows that were not stored, because another projector had replaced them meanwhile.
    """

    alive: bool
    fence: int
    queue_depth: int
    queue_depth_max: int
    commits: int
    rows: int
    duplicates: int
    conflicts: int
    failures: int
    last_commit_monotonic_us: int | None
    last_commit_us: int | None
    wal_size_bytes: int
    wal_limit_bytes: int
    database_size_bytes: int
    hindrance: Hindrance | None = None
    damaged_rows: int = 0
    waiting_us: int = 0
    sealed_facts: int = 0
    stale: int = 0


class Growth(NamedTuple):
    """``oldest_us`` is the first fact's instant (None: there is none), ``recent`` how many of ``facts`` came since."""

    oldest_us: int | None
    facts: int
    recent: int


class FactQueries(Protocol):
    def damaged(self) -> Sequence[DamagedRow]:
        """As ports.reads.Reads says."""
        ...

    async def printers(self) -> Sequence[str]:
        """Names of all printers with a fact or an open run, sorted; "" is not one of them."""
        ...

    async def title_us(self, from_us: int, before_us: int) -> int | None:
        """The first instant in [from_us, before_us) at which a release started whose job's title stands there still."""
        ...

    def all_facts(self) -> AsyncIterator[Fact]:
        """Every fact in order of printer and number ("" first), each printer's open run after its facts."""
        ...

    async def release_starts(
        self, source: str, releases: Sequence[str], from_us: int, until_us: int
    ) -> Sequence[ReleaseStarted]:
        """Start notices of these releases in [from_us, until_us], in order of their instants; for some hundred names
        at once.
        """
        ...

    async def count_facts(self) -> int:
        """Stored facts, without open runs."""
        ...

    async def last_events(self) -> Mapping[str, int]:
        """By an event's type, the instant of the latest among each source's latest LAST_EVENTS_OF_SOURCE.

        A type of which there is none is absent.
        """
        ...

    async def newest_us(self) -> int | None:
        """The latest instant of a stored fact of a printer, a badge or our clock; None while there is none.

        What people date may lie years ahead: whose a badge will be, or a cost centre.
        """
        ...

    async def growth(self, since_us: int) -> Growth:
        """Of printers' facts: a few steps down an index for each printer, and no fact is read."""
        ...

    def last_reads(self) -> AsyncIterator[PlateauRead]:
        """Of every printer that was ever read, the latest finished run of good readings; in bounded pages."""
        ...

    def printer_notes(self) -> AsyncIterator[PrinterNoted]:
        """What somebody noted of any printer, read or not yet; in bounded pages."""
        ...

    async def recent_delays(self, source: str, limit: int) -> Sequence[tuple[int, int]]:
        """(occurred_us, received_us) of those of a source's latest ``limit`` events that name their time, in order."""
        ...
