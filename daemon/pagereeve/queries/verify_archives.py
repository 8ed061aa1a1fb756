"""Verifying what left the journal: each fact of a file beside what stayed sealed of it."""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field

from pagereeve.domain.facts.closed import FactsArchived
from pagereeve.domain.seal.chain import next_link
from pagereeve.ports.archives import ArchivedEntry, ArchiveFile, ArchivePart, ArchiveReads, FileState
from pagereeve.ports.seal import FoundFact
from pagereeve.queries.verify_problems import Problem


@dataclass(frozen=True, slots=True)
class ArchiveVerdict:
    """``proven`` of its facts are what was sealed. ``missing``: its file was not seen, so that nothing is known of
    them: neither that they are as sealed nor that they are not.
    """

    file: ArchiveFile
    state: FileState
    proven: int = 0


@dataclass(slots=True)
class _Part:
    """``gone``: the numbers in it whose row is not in the journal, counted."""

    part: ArchivePart
    gone: int = 0


@dataclass(slots=True)
class ArchivedWalk:
    """Beside the walk through all entries: ``begin``, then ``holds`` of each whose row is gone, ``said`` of each fact
    that is there, then ``end``.
    """

    reads: ArchiveReads
    add: Callable[[Problem], None]
    _files: list[ArchiveFile] = field(default_factory=list)
    _parts: dict[str, list[_Part]] = field(default_factory=lambda: defaultdict(list))
    _firsts: dict[str, list[int]] = field(default_factory=dict)
    _said: dict[str, FactsArchived] = field(default_factory=dict)

    async def begin(self) -> None:
        self._files = list(await self.reads.archives())
        for file in self._files:
            async for part in self.reads.archive_parts(file.name):
                self._parts[part.printer].append(_Part(part))
        for printer, parts in self._parts.items():
            parts.sort(key=lambda one: one.part.first_seq)
            self._firsts[printer] = [one.part.first_seq for one in parts]

    def holds(self, printer: str, seq: int) -> bool:
        """A file is said to hold the fact whose row is gone: whether it does is seen at the end."""
        place = bisect_right(self._firsts.get(printer, ()), seq)
        if not place:
            return False
        one = self._parts[printer][place - 1]
        if seq > one.part.last_seq:
            return False
        one.gone += 1
        return True

    def said(self, found: FoundFact) -> None:
        if isinstance(found.fact, FactsArchived):
            self._said[found.fact.file] = found.fact

    async def end(self) -> list[ArchiveVerdict]:
        by_file: dict[str, list[_Part]] = defaultdict(list)
        for parts in self._parts.values():
            for one in parts:
                by_file[one.part.file].append(one)
        return [await self._file(file, by_file[file.name]) for file in self._files]

    async def _file(self, file: ArchiveFile, parts: list[_Part]) -> ArchiveVerdict:
        if not self._as_said(file, parts):
            self.add(Problem("archive-edited", said=file.name))
        state = await self.reads.archive_state(file)
        if state == "missing":
            for one in parts:
                if one.gone > one.part.facts:
                    self._lacks(one, one.part.first_seq)
            return ArchiveVerdict(file, state)
        if state == "differs":
            self.add(Problem("archive-damaged", said=file.name))
        return ArchiveVerdict(file, state, sum([await self._part(one) for one in parts]))

    def _as_said(self, file: ArchiveFile, parts: list[_Part]) -> bool:
        """Is what the tables say of a file what the sealed fact says that was stored with them?"""
        said = self._said.get(file.name)
        recorded = (file.sha256, file.size_bytes, file.facts, file.from_us, file.to_us, file.period)
        return (
            said is not None
            and recorded == (said.sha256, said.size_bytes, said.facts, said.from_us, said.to_us, said.period)
            and sum(one.part.facts for one in parts) == file.facts
        )

    async def _part(self, one: _Part) -> int:
        """How many facts of it are what was sealed; those that are not, or are in neither place, are named."""
        proven, gone, last = 0, 0, one.part.first_seq - 1
        for entry in await self.reads.archived_entries(one.part):
            last, gone = entry.seq, gone + (not entry.in_journal)
            if is_as_sealed(entry):
                proven += 1
            else:
                self.add(Problem("archive-damaged", one.part.printer, entry.seq, said=one.part.file))
        if one.gone != gone:
            # Of a damaged file what lies before the damage was read.
            self._lacks(one, last + 1 if last < one.part.last_seq else one.part.first_seq)
        return proven

    def _lacks(self, one: _Part, first: int) -> None:
        """Facts between these numbers are neither in the journal nor in the file."""
        self.add(Problem("removed", one.part.printer, first, other=one.part.last_seq))


def is_as_sealed(entry: ArchivedEntry) -> bool:
    found = entry.found
    if found is None or found.fact is None or found.digest is None or entry.previous is None or entry.link is None:
        return False
    return next_link(entry.previous, found.digest) == entry.link
