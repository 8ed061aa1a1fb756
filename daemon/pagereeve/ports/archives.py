"""Facts of closed periods that lie in files beside the journal, as whoever reads or verifies sees them."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal, Protocol

from pagereeve.ports.journal import JournalUnavailable
from pagereeve.ports.seal import FoundFact

ARCHIVES_MAX: Final = 10_000
"""Files: a day of each for a quarter of a century."""
FileState = Literal["whole", "missing", "differs"]


@dataclass(frozen=True, slots=True)
class Room:
    """What the journal takes, and how much of it is empty: what is stored next goes there. None: its server says that
    nowhere.
    """

    file_bytes: int
    empty_bytes: int | None


class ArchiveUnread(JournalUnavailable):
    """Facts that somebody asked for lie in a file that is not there, or is not what was archived: says which."""


@dataclass(frozen=True, slots=True)
class ArchiveFile:
    """Facts of the instants [from_us, to_us) of the closed ``period``; ``sha256`` (hex) is that of the whole file.

    ``removed``: none of its facts is in the journal any more. Until then some are in both.
    """

    name: str
    period: str
    from_us: int
    to_us: int
    size_bytes: int
    sha256: str
    facts: int
    archived_us: int
    removed: bool = False


@dataclass(frozen=True, slots=True)
class ArchivePart:
    """Facts of one printer in one file, at an offset and of so many bytes, with their SHA-256 (hex).

    Their numbers lie between ``first_seq`` and ``last_seq``, with others between them that stayed in the journal;
    no two parts of a printer overlap. Their instants lie between ``first_us`` and ``last_us``.
    """

    file: str
    printer: str
    first_seq: int
    last_seq: int
    first_us: int
    last_us: int
    facts: int
    offset_bytes: int
    size_bytes: int
    sha256: str


@dataclass(frozen=True, slots=True)
class ArchivedEntry:
    """A fact of a file beside what is sealed of it. ``link`` None: nothing was sealed under that number, or its seal
    is no digest. ``previous`` is the link before it, None where there is none. ``in_journal``: its row is still there.
    """

    seq: int
    found: FoundFact | None
    previous: bytes | None
    link: bytes | None
    in_journal: bool


class ArchiveReads(Protocol):
    async def archives(self) -> Sequence[ArchiveFile]:
        """In order of their instants; ARCHIVES_MAX at most."""
        ...

    def archive_parts(self, name: str) -> AsyncIterator[ArchivePart]:
        """Of a file, in order of printer and number."""
        ...

    async def archive_state(self, file: ArchiveFile, *, read: bool = True) -> FileState:
        """Reads all of the file; without ``read`` only whether it is there, and as large as it was."""
        ...

    async def archived_entries(self, part: ArchivePart) -> Sequence[ArchivedEntry]:
        """What can be read of a part, whatever its digest; in order of number. Empty where its file is not there."""
        ...
