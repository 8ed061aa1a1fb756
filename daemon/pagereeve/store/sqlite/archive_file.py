"""A file of an archive is written under another name, made durable, and then named: it is whole, or not there."""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from pagereeve.domain.facts.facts import instant_us
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.ports.archives import ARCHIVES_MAX, ArchivePart
from pagereeve.store.records.archive_parts import ArchivedBody, packed_part
from pagereeve.store.records.fact_record import fact_of
from pagereeve.store.sqlite.backup.staging import sync_folder

SUFFIX: Final = ".ndjson.gz"
_DRAFT: Final = ".archive.partial"
_FOLDER_MODE: Final = 0o700
_FILE_MODE: Final = 0o600


class NotArchived(PagereeveError):
    """Nothing left the journal, or nothing more: says why, and what to do."""


class ArchiveDraft:
    """The parts of a file that has no name yet. Leaving it without ``name_it`` removes what was written."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._path = folder / _DRAFT
        self._digest = hashlib.sha256()
        self._descriptor = -1
        self.parts: list[ArchivePart] = []
        self.size_bytes = 0

    def __enter__(self) -> Self:
        """One process at a time: the journal's lock is held. A draft of one that was killed is begun anew."""
        self._folder.mkdir(mode=_FOLDER_MODE, exist_ok=True)
        how = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC | os.O_NOFOLLOW
        self._descriptor = os.open(self._path, how, _FILE_MODE)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        os.close(self._descriptor)
        with contextlib.suppress(FileNotFoundError):  # It has its name.
            self._path.unlink()

    @property
    def facts(self) -> int:
        return sum(part.facts for part in self.parts)

    @property
    def sha256(self) -> str:
        return self._digest.hexdigest()

    def add(self, printer: str, facts: Sequence[ArchivedBody]) -> None:
        """Raises OSError."""
        packed = packed_part(facts)
        instants = [instant_us(fact_of(one.body)) for one in facts]
        view = memoryview(packed)
        while view:
            view = view[os.write(self._descriptor, view) :]
        self._digest.update(packed)
        self.parts.append(
            ArchivePart(
                file="",
                printer=printer,
                first_seq=facts[0].seq,
                last_seq=facts[-1].seq,
                first_us=min(instants),
                last_us=max(instants),
                facts=len(facts),
                offset_bytes=self.size_bytes,
                size_bytes=len(packed),
                sha256=hashlib.sha256(packed).hexdigest(),
            )
        )
        self.size_bytes += len(packed)

    def name_it(self, stem: str, taken: set[str]) -> str:
        """The name that it has from now on, durably. ``taken`` are those that the journal knows. No file is replaced;
        one of the same bytes, which somebody left who was killed, is taken as it is.

        Raises NotArchived, OSError.
        """
        os.fsync(self._descriptor)
        for number in range(1, ARCHIVES_MAX):
            name = f"{stem}{SUFFIX}" if number == 1 else f"{stem}-{number}{SUFFIX}"
            path = self._folder / name
            if name in taken:
                continue
            try:
                path.hardlink_to(self._path)
            except FileExistsError:
                if _sha256(path) != self.sha256:
                    continue
            self._path.unlink()
            sync_folder(self._folder)
            sync_folder(self._folder.parent)
            return name
        raise NotArchived(f"{self._folder} holds too many files named {stem}; move those away that no journal names")


def stem_of(period: str) -> str:
    """A period's name, as a name of a file."""
    return "".join(one if one.isalnum() and one.isascii() else "-" for one in period)[:60].strip("-") or "period"


def _sha256(path: Path) -> str:
    with path.open("rb") as opened:
        return hashlib.file_digest(opened, "sha256").hexdigest()
