"""``pagereeve archive``: readings of closed periods go into files, and leave the journal once that is proven.

At any moment each fact is in the journal, or in a file that is durable, recorded under a sealed fact and read back.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeAlias

from pagereeve.app.clocks import SystemClock
from pagereeve.app.journals import JournalPlace, RunningJournal, open_alone, reads_of
from pagereeve.domain.accounts.periods import Period, local
from pagereeve.domain.facts.closed import FactsArchived
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.projection.projector import needed_from_us
from pagereeve.domain.projection.resume_point import ResumePoint
from pagereeve.domain.values.instants import FOREVER_US
from pagereeve.ports.archives import ArchivedEntry, ArchiveFile, ArchivePart, ArchiveReads, Room
from pagereeve.ports.closing import ClosedPeriod
from pagereeve.ports.resume_points import resume_point_before
from pagereeve.queries.as_sealed import require_as_sealed
from pagereeve.queries.verify_archives import is_as_sealed
from pagereeve.store.records.archive_parts import ArchivedBody
from pagereeve.store.sqlite.archive_file import ArchiveDraft, NotArchived, stem_of
from pagereeve.store.sqlite.files import archives_path
from pagereeve.store.sqlite.journal import SqlJournal
from pagereeve.store.sqlite.reads import SqlReads
from pagereeve.store.sqlite.upgrade import refuse_full_disk

if TYPE_CHECKING:
    from pagereeve.store.postgres.reads import PostgresReads

AnyReads: TypeAlias = "SqlReads | PostgresReads"

REMOVED_AT_ONCE: Final = 500
CHECKPOINT_EVERY: Final = 100
"""Groups of removals: the write-ahead file is brought in after so many."""


@dataclass(frozen=True, slots=True)
class PeriodShare:
    """Of a closed period: what goes, or went. ``body_bytes`` is what their text takes, unpacked."""

    period: str
    facts: int
    body_bytes: int
    file: str = ""
    file_bytes: int = 0
    sha256: str = ""


@dataclass(slots=True)
class Archived:
    """``finished``: files of a run before that was cut short, whose facts left the journal now; ``unfinished``: of a
    look, those that the next run goes on with. ``facts_before`` counts rows of facts. ``before`` and ``after``: the
    journal's file.
    """

    periods: list[PeriodShare] = field(default_factory=list)
    finished: list[str] = field(default_factory=list)
    unfinished: list[str] = field(default_factory=list)
    facts_before: int = 0
    removed: int = 0
    before: Room | None = None
    after: Room | None = None


OnStep = Callable[[str], None]
"""What is done now, in words."""


@dataclass(frozen=True, slots=True)
class ArchivingRequest:
    """All before the beginning of ``before``. ``shrink``: make the journal's file, or its tables, anew at the end.
    ``shared``: daemons may work with the database meanwhile, unless it is to shrink.
    """

    before: Period
    by: str
    shrink: bool = False
    shared: bool = False


async def look_before_archive(place: JournalPlace, before: Period) -> Archived:
    """What would go, beside a daemon too. Raises CantOpen, NotArchived, JournalUnavailable."""
    async with await reads_of(place) as reads:
        closed = _closed_before(await reads.closed_periods(), before)
        unfinished = [one.name for one in await reads.archives() if not one.removed]
        done = Archived(unfinished=unfinished, facts_before=await reads.count_facts())
        needed_us = {name: await _needed_us(reads, name) for name in await reads.printers()}
        for one in closed:
            facts, body_bytes = 0, 0
            for printer, needed in needed_us.items():
                for part in await _archivable(reads, one, printer, needed):
                    facts += len(part)
                    body_bytes += sum(len(fact.body) for fact in part)
            done.periods.append(PeriodShare(one.name, facts, body_bytes))
    return done


def archives_of(place: JournalPlace) -> Path:
    """The folder of this machine. Raises NotArchived."""
    folder = archives_path(place) if isinstance(place, Path) else place.archives
    if folder is None:
        raise NotArchived(f"nobody says where files of journal {place} are to lie; name the settings file")
    return folder


async def archive_journal(place: JournalPlace, said: ArchivingRequest, on_step: OnStep = lambda _: None) -> Archived:
    """No daemon may run, but those that share a database. Raises CantOpen, NotArchived, NotClosed, NoSpace,
    ArchiveUnread, JournalUnavailable.
    """
    clock, folder = SystemClock(), archives_of(place)
    async with open_alone(place, clock, beside=said.shared and not said.shrink) as journal:
        if not isinstance(journal, SqlJournal):
            await journal.begin_archiving()
        closed = _closed_before(await journal.closed_periods(), said.before)
        for one in closed:
            await require_as_sealed(journal, one)
        if said.shrink and isinstance(place, Path):
            refuse_full_disk(place)
        done = Archived(facts_before=await journal.count_facts(), before=await journal.room())
        work = _Work(journal, folder, said, done, on_step)
        try:
            await work.run(closed, clock.now_us())
        except OSError as error:
            raise NotArchived(f"{folder} can't be written ({error.strerror}); nothing more left the journal") from error
        if said.shrink:
            on_step("writes the journal anew")
            await journal.rewrite()
        done.after = await journal.room()
    return done


async def require_archives(reads: ArchiveReads) -> None:
    """Before rows are dropped that can be made anew only of all facts. Raises NotArchived where a file is not whole."""
    for file in await reads.archives():
        state = await reads.archive_state(file)
        if state != "whole":
            what = "is not in the folder of archives" if state == "missing" else "is not what was archived"
            raise NotArchived(
                f"archive {file.name} {what}, and rows must be made anew of facts that it holds: put it there first. "
                "Nothing was changed"
            )


def _closed_before(closed: Sequence[ClosedPeriod], before: Period) -> Sequence[ClosedPeriod]:
    """Closed periods lie side by side without a gap. Raises NotArchived where one before it is open."""
    if not before.has_beginning or before.from_us <= 0:
        raise NotArchived(f"{before.name} has no beginning; name the period before which facts may go, as 2026-01")
    until_us = max((one.closing.to_us for one in closed), default=0)
    if until_us < before.from_us:
        open_one = "no period is closed" if not closed else f"{local(until_us, before.zone):%Y-%m} is open"
        raise NotArchived(
            f"{open_one}, and only what is closed can be archived: close all before {before.name} first "
            "(pagereeve close), or name an earlier period"
        )
    chosen = [one for one in closed if one.closing.to_us <= before.from_us]
    if not chosen:
        raise NotArchived(f"no closed period ends before {before.name} begins; name a later one")
    return chosen


@dataclass(slots=True)
class _Work:
    journal: RunningJournal
    folder: Path
    said: ArchivingRequest
    done: Archived
    on_step: OnStep

    async def run(self, closed: Sequence[ClosedPeriod], now_us: int) -> None:
        known = await self.journal.archives()
        for file in known:
            if not file.removed:
                self.on_step(f"goes on with {file.name}")
                await self._remove(file)
                self.done.finished.append(file.name)
        needed_us = {name: await _needed_us(self.journal, name) for name in await self.journal.printers()}
        for one in closed:
            self.on_step(f"looks at {one.name}")
            await self._archive(one, needed_us, now_us)

    async def _archive(self, one: ClosedPeriod, needed_us: dict[str, int], now_us: int) -> None:
        body_bytes = 0
        taken = {file.name for file in await self.journal.archives()}
        with ArchiveDraft(self.folder) as draft:
            for printer, needed in needed_us.items():
                for part in await _archivable(self.journal, one, printer, needed):
                    draft.add(printer, part)
                    body_bytes += sum(len(fact.body) for fact in part)
            if not draft.facts:
                return
            self.on_step(f"writes {one.name}")
            name = draft.name_it(stem_of(one.name), taken)
        closing = one.closing
        file = ArchiveFile(
            *(name, one.name, closing.from_us, closing.to_us),
            *(draft.size_bytes, draft.sha256, draft.facts, now_us),
        )
        parts = [replace(part, file=name) for part in draft.parts]
        self.on_step(f"reads {name} back")
        await self._require_whole(file)
        for written in parts:
            await self._proven(written)
        fact = FactsArchived(
            *(now_us, one.name, closing.from_us, closing.to_us, self.said.by),
            *(name, file.size_bytes, file.sha256, file.facts),
        )
        await self.journal.archive_facts(file, parts, fact)
        self.on_step(f"removes what {name} holds")
        await self._remove(file)
        self.done.periods.append(PeriodShare(one.name, file.facts, body_bytes, name, file.size_bytes, file.sha256))

    async def _require_whole(self, file: ArchiveFile) -> None:
        state = await self.journal.archive_state(file)
        if state != "whole":
            what = "is not there" if state == "missing" else "is not what was written"
            raise NotArchived(
                f"{self.folder / file.name} {what}: nothing more left the journal. Put the file back as "
                "it was, or look after the disk, and run it again"
            )

    async def _proven(self, part: ArchivePart) -> Sequence[ArchivedEntry]:
        """Its facts, each read back from the file and compared with the seal that stays. Raises NotArchived."""
        entries = await self.journal.archived_entries(part)
        wrong = next((one.seq for one in entries if not is_as_sealed(one)), None)
        if wrong is None and len(entries) == part.facts:
            return entries
        which = f"fact {wrong}" if wrong is not None else "a fact"
        raise NotArchived(
            f"{part.printer}: {which} in archive {part.file} is not what was sealed: nothing more left the journal; "
            "pagereeve verify says what is wrong"
        )

    async def _remove(self, file: ArchiveFile) -> None:
        """In small groups, each a transaction: who is killed goes on the next time."""
        await self._require_whole(file)
        groups = 0
        async for part in self.journal.archive_parts(file.name):
            numbers = [one.seq for one in await self._proven(part) if one.in_journal]
            for start in range(0, len(numbers), REMOVED_AT_ONCE):
                some = numbers[start : start + REMOVED_AT_ONCE]
                self.done.removed += await self.journal.remove_archived(part.printer, some)
                groups += 1
                if groups % CHECKPOINT_EVERY == 0:
                    await self.journal.checkpoint()
        await self.journal.finish_archive(file.name)
        await self.journal.checkpoint()


async def _archivable(
    reads: AnyReads, one: ClosedPeriod, printer: str, needed_us: int
) -> Sequence[Sequence[ArchivedBody]]:
    """Nothing that a start of the daemon asks for: it projects from the printer's latest resume point on."""
    return await reads.archivable(printer, one.closing.from_us, min(one.closing.to_us, needed_us))


async def _needed_us(journal: AnyReads, printer: str) -> int:
    """The earliest instant of a fact that a projection from the latest resume point asks for; 0 without one."""
    point = await resume_point_before(journal, printer, FOREVER_US, ResumePoint.from_json)
    if point is None:
        return 0
    rules = Rules.of([stored.fact for stored in await journal.standing_facts(printer)])
    return needed_from_us(point, rules)


async def refuse_archived(journal: RunningJournal, printers: Sequence[str], from_us: int, until_us: int) -> None:
    """What left the journal gets no other date any more. Raises NotArchived."""
    for printer in printers:
        for part in await journal.parts_of_printer(printer):
            if part.last_us >= from_us and part.first_us < until_us:
                raise NotArchived(
                    f"readings {part.first_seq} to {part.last_seq} of {printer}, of a closed period, are in archive "
                    f"{part.file} and keep their dates; name another span. Nothing was changed"
                )
