"""Readings of closed periods go into files beside the journal: whatever reads facts reads them there, or is refused."""

from __future__ import annotations

import asyncio
import gzip
import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from pagereeve.app.archiving import ArchivingRequest, archive_journal
from pagereeve.app.clocks import SystemClock
from pagereeve.app.replay import check_journal
from pagereeve.cli import status_of
from pagereeve.cli.backup import _archives_text
from pagereeve.domain.accounts.periods import period_of
from pagereeve.domain.facts.facts import ReleaseStarted
from pagereeve.domain.projection.projector import PrinterProjector
from pagereeve.domain.values.instants import from_text
from pagereeve.engine.ledger_updater import LedgerUpdater
from pagereeve.engine.printers.loading import open_projector
from pagereeve.engine.supervision.heartbeat import Heartbeat
from pagereeve.ports.archives import ArchiveUnread
from pagereeve.queries.installation import journal_state
from pagereeve.queries.verify import HeldHead
from pagereeve.reports.doctor import InstallationState, complaints_of
from pagereeve.reports.facts_file import fact_lines, line_bytes
from pagereeve.store.sqlite.archive_file import ArchiveDraft, NotArchived
from pagereeve.store.sqlite.backup.taking import take_backup
from pagereeve.store.sqlite.files import JOURNAL_NAME, archives_path
from pagereeve.store.sqlite.journal import SqlJournal
from pagereeve.store.sqlite.reads import SqlReads
from tests.archived_journal import AFTER_US, DAYS, PRINTERS, ZONE, fill
from tests.histories import SIMPLE, started
from tests.property import days
from tests.sealed_journal import edit, named, verified

THIRD = period_of(DAYS[2], ZONE)
KEPT_US = days.DAY_US


@pytest.fixture(autouse=True)
def after_the_days(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(SystemClock, "now_us", lambda _: AFTER_US)
    # What fills the journal moves it.
    monkeypatch.setattr(days, "DAY_US", KEPT_US)


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """The files of a journal, made once."""
    folder = tmp_path_factory.mktemp("filled")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(SystemClock, "now_us", lambda _: AFTER_US)
        patch.setattr(days, "DAY_US", KEPT_US)
        asyncio.run(fill(folder / JOURNAL_NAME))
    return {one.name: one.read_bytes() for one in folder.iterdir() if one.is_file()}


@pytest.fixture
def path(filled: dict[str, bytes], tmp_path: Path) -> Path:
    for name, content in filled.items():
        (tmp_path / name).write_bytes(content)
    return tmp_path / JOURNAL_NAME


def run(path: Path, *asked: str) -> int:
    return status_of([*asked, "--data-dir", str(path.parent)])


def said(capsys: pytest.CaptureFixture[str], path: Path, *asked: str) -> Any:
    capsys.readouterr()
    assert run(path, *asked, "--json") == 0
    return json.loads(capsys.readouterr().out)


async def read(path: Path) -> list[bytes]:
    """All facts, as ``pagereeve facts`` writes them."""
    async with await SqlReads.open_for_reading(path) as reads:
        return [line_bytes(line) async for line in fact_lines(reads)]


async def read_but_told(path: Path) -> list[bytes]:
    """Without those that tell of archives."""
    return [one for one in await read(path) if b'"facts-archived"' not in one]


def rows(path: Path, statement: str) -> list[Any]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(statement).fetchall()


async def archive(path: Path, **more: Any) -> Any:
    return await archive_journal(path, ArchivingRequest(THIRD, "bursar", **more))


def test_everything_reads_through_the_files(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before, count = asyncio.run(read(path)), rows(path, "SELECT count(*) FROM fact")[0][0]
    releases = [
        name for (name,) in rows(path, "SELECT release FROM charge GROUP BY 1 ORDER BY min(started_us) LIMIT 2")
    ]
    explained = [said(capsys, path, "explain", one) for one in releases]
    look = said(capsys, path, "archive", "--before", DAYS[2], "--dry-run")
    assert rows(path, "SELECT count(*) FROM fact")[0][0] == count
    done = said(capsys, path, "archive", "--before", DAYS[2])
    assert [one["facts"] for one in done["periods"]] == [one["facts"] for one in look["periods"]]
    went = sum(one["facts"] for one in done["periods"])
    assert went == done["removed"] > 40
    assert rows(path, "SELECT count(*) FROM fact")[0][0] == count - went + 2
    after = asyncio.run(read(path))
    assert asyncio.run(read_but_told(path)) == before
    assert len(after) == len(before) + 2
    assert [said(capsys, path, "explain", one) for one in releases] == explained
    assert run(path, "replay", "--check") == 0
    checked = said(capsys, path, "verify")
    assert (checked["good"], checked["problems"]) == (True, [])
    assert [(one["state"], one["as_sealed"]) for one in checked["archives"]] == [
        ("whole", one["facts"]) for one in done["periods"]
    ]
    assert checked["checked"] == len(after) - len(PRINTERS), "open runs are no facts"
    # Replaced rows are those of before, and a second run finds nothing more.
    assert run(path, "replay") == 0
    assert said(capsys, path, "archive", "--before", DAYS[2])["periods"] == []


async def test_a_file_is_one_of_facts_and_a_head_of_before_agrees(path: Path) -> None:
    head = (await verified(path)).head
    assert head is not None
    done = await archive(path)
    after = await verified(path, HeldHead(head.head, head.size, head.origin))
    assert (after.is_good, [one.verdict for one in after.verdicts]) == (True, ["agrees"])
    for one in done.periods:
        packed = (archives_path(path) / one.file).read_bytes()
        lines = [json.loads(line) for line in gzip.decompress(packed).splitlines()]
        assert len(lines) == one.facts
        assert {line["fact"] for line in lines} <= {"reading", "read-failed"}
        assert one.period == lines[0].get("first_received", lines[0].get("first_sent"))[:10]
    assert rows(path, "SELECT count(*) FROM fact WHERE kind = 'facts-archived'") == [(len(done.periods),)]
    assert rows(path, "SELECT count(*) FROM archive_removing") == [(0,)]


async def test_without_the_file_nothing_is_computed_of_half_of_the_facts(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    done = await archive(path)
    name = done.periods[0].file
    kept = archives_path(path) / name
    away = path.with_name("elsewhere.gz")
    kept.rename(away)
    with pytest.raises(ArchiveUnread, match=f"archive {name}, which holds readings .* of printer-a, is not in"):
        await check_journal(path)
    checked = await verified(path)
    assert (checked.is_good, [one.file.name for one in checked.unseen]) == (True, [name])
    # What lies behind the archives is projected and asked for as before.
    journal = await SqlJournal.open(path, SystemClock())
    try:
        from_us = THIRD.from_us
        assert [stored async for stored in journal.facts("printer-a", from_us)]
        with pytest.raises(ArchiveUnread):
            [stored async for stored in journal.facts("printer-a")]
    finally:
        await journal.close()
    away.rename(kept)
    assert not (await check_journal(path)).differing


async def test_the_meter_is_read_on_and_newer_rows_are_made_while_older_ones_wait_for_a_file(path: Path) -> None:
    """A notice that reaches back behind the archive, heard while the daemon runs, and one found at its start."""
    done = await archive(path)
    kept = archives_path(path) / done.periods[0].file
    away = path.with_name("elsewhere.gz")
    journal = await SqlJournal.open(path, SystemClock())
    try:
        for nth, hears in enumerate((True, False)):
            one = updater(journal)
            if hears:
                await one.open()
            kept.rename(away)
            late = started(f"late-{nth}", 0, "anise", SIMPLE)
            assert isinstance(late, ReleaseStarted)
            at_us = from_text(f"{DAYS[0]}T09:0{nth}:00Z")
            origin = replace(late.origin, at_us=at_us, received_us=AFTER_US)
            await journal.append(replace(late, printer=PRINTERS[0], origin=origin))
            if hears:
                one.begin_again(at_us)
                await one.reopen()
            else:
                await one.open()
            assert kept.name in one.archive_wanted
            assert not one.must_reopen
            await one.keep(one.project())
            away.rename(kept)
            await one.reopen()
            assert not one.archive_wanted
            await one.keep(one.project())
            assert not one.is_to_reopen()
    finally:
        await journal.close()
    assert not (await check_journal(path)).differing


def updater(journal: SqlJournal) -> LedgerUpdater[PrinterProjector]:
    clock = SystemClock()

    async def opened(before_us: int) -> PrinterProjector:
        return await open_projector(journal, PRINTERS[0], before_us)

    return LedgerUpdater(PRINTERS[0], journal, clock, Heartbeat(clock), opened)


def test_commands_say_which_file_they_want(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    done = said(capsys, path, "archive", "--before", DAYS[2])
    name = done["periods"][0]["file"]
    span = ("--from", "2026-11-23T00:00:00Z", "--until", "2026-11-27T00:00:00Z")
    assert run(path, "clock", "void", *span, "--reason", "x") == 2
    assert f"are in archive {name} and keep their dates" in capsys.readouterr().err
    (archives_path(path) / name).rename(path.with_name("elsewhere.gz"))
    held = rows(path, "SELECT count(*) FROM stretch") + rows(path, "SELECT count(*) FROM charge")
    for asked in (("replay",), ("facts",)):
        capsys.readouterr()
        assert run(path, *asked) == 2
        assert name in capsys.readouterr().err
    for changing in (("clock", "void", *span, "--reason", "x"), ("erase", "basil", "--yes")):
        capsys.readouterr()
        assert run(path, *changing) == 2
        assert "archive" in capsys.readouterr().err
    assert rows(path, "SELECT count(*) FROM stretch") + rows(path, "SELECT count(*) FROM charge") == held
    assert run(path, "verify") == 2
    assert "NOT SEEN" in capsys.readouterr().out


async def test_a_damaged_file_is_named_with_its_facts(path: Path) -> None:
    done = await archive(path)
    name = done.periods[0].file
    file = archives_path(path) / name
    whole = file.read_bytes()
    damaged = bytearray(whole)
    damaged[len(damaged) // 2] ^= 0x10
    file.write_bytes(damaged)
    with pytest.raises(ArchiveUnread, match=f"archive {name}.*is not what was archived"):
        await check_journal(path)
    checked = await verified(path)
    assert ("archive-damaged", "", 0) in named(checked)
    assert {what for what, *_ in named(checked)} <= {"archive-damaged", "removed"}
    assert [one for one in checked.problems if one.printer], "a printer's facts are named"
    file.write_bytes(whole)
    assert (await verified(path)).is_good


async def test_another_fact_in_a_file_is_found_although_all_digests_were_made_anew(path: Path) -> None:
    """Who can write the journal's tables and the file can't make the seal say something else."""
    done = await archive(path)
    name, printer = done.periods[0].file, PRINTERS[0]
    [(size, first)] = rows(
        path, f"SELECT size_bytes, first_seq FROM archive_part WHERE file = '{name}' AND printer = '{printer}'"
    )
    file = archives_path(path) / name
    whole = file.read_bytes()
    text = gzip.decompress(whole[:size])
    forged = gzip.compress(text.replace(b'"count":', b'"count":1', 1), 9, mtime=0) + whole[size:]
    file.write_bytes(forged)
    checked = await verified(path)
    found = [one for one in named(checked) if one[1] == printer]
    assert found
    assert found[0][:2] == ("archive-damaged", printer)
    assert found[0][2] >= first


async def test_what_is_said_of_an_archive_hides_no_removed_fact(path: Path) -> None:
    done = await archive(path)
    [(seq,)] = rows(path, "SELECT max(seq) FROM fact WHERE printer = 'printer-a' AND kind = 'reading'")
    edit(path, f"DELETE FROM fact WHERE printer = 'printer-a' AND seq = {seq}")
    edit(
        path, "INSERT INTO archive SELECT 'x.ndjson.gz', period, from_us, to_us, 1, 'ab', 1, 1, 1 FROM archive LIMIT 1"
    )
    edit(
        path,
        f"INSERT INTO archive_part SELECT printer, {seq}, {seq}, 1, 1, 'x.ndjson.gz', 1, 0, 1, 'ab', '' "
        "FROM archive_part WHERE printer = 'printer-a' LIMIT 1",
    )
    assert "archive-edited" in [one.what for one in (await verified(path)).problems]
    # A reading that is missing within a part's numbers, too.
    [(first, last)] = rows(
        path,
        f"SELECT first_seq, last_seq FROM archive_part WHERE file = '{done.periods[1].file}' AND printer = 'printer-b'",
    )
    edit(path, f"DELETE FROM fact WHERE printer = 'printer-b' AND seq BETWEEN {first} AND {last}")
    assert ("removed", "printer-b") in [(one.what, one.printer) for one in (await verified(path)).problems]


@pytest.mark.parametrize(
    "statement",
    [
        "DELETE FROM fact WHERE kind = 'reading'",
        "DELETE FROM fact",
        "DELETE FROM archive",
        "DELETE FROM archive_part",
        "UPDATE archive SET sha256 = 'ab'",
        "UPDATE archive SET removed = 0",
        "UPDATE archive_part SET last_seq = 10000",
        "INSERT OR REPLACE INTO archive SELECT * FROM archive",
        "INSERT OR REPLACE INTO archive_part SELECT * FROM archive_part",
        "DELETE FROM seal_entry",
    ],
)
async def test_the_database_itself_guards_what_stays_and_what_is_recorded(path: Path, statement: str) -> None:
    await archive(path)
    with closing(sqlite3.connect(path)) as connection, pytest.raises(sqlite3.IntegrityError, match="never"):
        connection.execute(statement)


async def test_only_what_a_recorded_file_holds_can_be_removed(path: Path) -> None:
    journal = await SqlJournal.open(path, SystemClock())
    try:
        [(seq,)] = rows(path, "SELECT min(seq) FROM fact WHERE printer = 'printer-a' AND kind = 'reading'")
        with pytest.raises(Exception, match="a fact is never deleted"):
            await journal.remove_archived("printer-a", [seq])
        assert rows(path, f"SELECT count(*) FROM fact WHERE printer = 'printer-a' AND seq = {seq}") == [(1,)]
    finally:
        await journal.close()


@pytest.mark.parametrize(
    ("before", "says"),
    [
        ("2026-11-26", "2026-11 is open"),
        ("2027", "2026-11 is open"),
        ("2026-11-23", "no closed period ends before 2026-11-23"),
    ],
)
def test_an_open_period_is_refused_by_name(
    path: Path, before: str, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    for more in ((), ("--dry-run",)):
        assert run(path, "archive", "--before", before, *more) == 2
        assert says in capsys.readouterr().err
    assert not archives_path(path).exists()


class _Killed(BaseException):
    """As the process ends: nothing catches it."""


def _nth(nth: int, original: Callable[..., Any], *, after: bool) -> Callable[..., Any]:
    calls = 0

    async def killed(*args: Any, **named_: Any) -> Any:
        nonlocal calls
        calls += 1
        if calls == nth and not after:
            raise _Killed
        came = await original(*args, **named_)
        if calls == nth:
            raise _Killed
        return came

    return killed


KILLS = [
    *((SqlJournal, "archive_facts", 1, after) for after in (False, True)),
    *((SqlJournal, "remove_archived", nth, nth > 3) for nth in (1, 2, 5, 12)),
    *((SqlJournal, "finish_archive", nth, nth > 1) for nth in (1, 2)),
    (SqlJournal, "archived_entries", 2, False),
]


@pytest.mark.parametrize(("owner", "method", "nth", "after"), KILLS)
async def test_who_is_killed_at_any_step_leaves_each_fact_somewhere_and_goes_on(
    path: Path, owner: type, method: str, nth: int, *, after: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pagereeve.app.archiving.REMOVED_AT_ONCE", 7)
    before = await read(path)
    with monkeypatch.context() as patch:
        patch.setattr(owner, method, _nth(nth, getattr(owner, method), after=after))
        with pytest.raises(_Killed):
            await archive(path)
    assert await read_but_told(path) == before
    assert (await verified(path)).is_good
    assert not (await check_journal(path)).differing
    await archive(path)
    assert await read_but_told(path) == before
    done = await verified(path)
    assert (done.is_good, done.unseen, len(done.archives)) == (True, [], 2)
    assert rows(path, "SELECT removed FROM archive") == [(1,), (1,)]
    assert sorted(one.name for one in archives_path(path).iterdir()) == [f"{day}.ndjson.gz" for day in DAYS[:2]]


@pytest.mark.parametrize("step", ["add", "name_it"])
async def test_a_disk_that_is_full_costs_nothing(path: Path, step: str, monkeypatch: pytest.MonkeyPatch) -> None:
    before = await read(path)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(ArchiveDraft, step, full)
        with pytest.raises(NotArchived, match="No space left"):
            await archive(path)
    assert await read(path) == before
    assert list(archives_path(path).iterdir()) == []


async def test_a_file_that_was_written_otherwise_than_it_reads_removes_nothing(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a disk that lies."""
    before = await read(path)
    original = ArchiveDraft.name_it

    def rotten(self: ArchiveDraft, stem: str, taken: set[str]) -> str:
        name = original(self, stem, taken)
        file = archives_path(path) / name
        content = bytearray(file.read_bytes())
        content[-20] ^= 1
        file.write_bytes(content)
        return name

    monkeypatch.setattr(ArchiveDraft, "name_it", rotten)
    with pytest.raises(NotArchived, match="is not what was written"):
        await archive(path)
    assert await read(path) == before
    monkeypatch.undo()
    monkeypatch.setattr(SystemClock, "now_us", lambda _: AFTER_US)
    done = await archive(path)
    assert [one.file for one in done.periods] == ["2026-11-23-2.ndjson.gz", "2026-11-24.ndjson.gz"]


async def test_the_file_shrinks_when_asked_and_the_journal_opens_again(path: Path) -> None:
    done = await archive(path, shrink=True)
    assert done.after.file_bytes < done.before.file_bytes
    assert done.after.empty_bytes == 0
    journal = await SqlJournal.open(path, SystemClock())
    await journal.close()
    assert (await verified(path)).is_good


async def test_numbers_go_on_and_growth_counts_what_the_file_holds(path: Path) -> None:
    journal = await SqlJournal.open(path, SystemClock())
    heads = dict(await journal.timeline_heads())
    last = {name: await journal.last_read(name) for name in PRINTERS}
    facts = (await journal.growth(0)).facts
    await journal.close()
    done = await archive(path)
    journal = await SqlJournal.open(path, SystemClock())
    try:
        now = dict(await journal.timeline_heads())
        assert {name: now[name] for name in PRINTERS} == {name: heads[name] for name in PRINTERS}
        assert {name: await journal.last_read(name) for name in PRINTERS} == last
        assert (await journal.growth(0)).facts == facts - done.removed
    finally:
        await journal.close()


async def test_doctor_names_files_that_are_missing_or_other_and_a_backup_says_what_it_lacks(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    done = await archive(path)
    folder, (first, second) = archives_path(path), [one.file for one in done.periods]

    async def amiss() -> Any:
        async with await SqlReads.open_for_reading(path) as reads:
            return (await journal_state(reads, PRINTERS, now_us=AFTER_US, daemon_runs=False)).archives

    assert await amiss() == ()
    (folder / first).rename(path.with_name("elsewhere.gz"))
    content = bytearray((folder / second).read_bytes())
    content[40] ^= 1
    (folder / second).write_bytes(content)
    seen = InstallationState(AFTER_US, "127.0.0.1:1", str(path.parent), archives=await amiss())
    assert dict(seen.archives) == {first: "missing", second: "differs"}
    whats = [one.what for one in complaints_of(seen) if "archive" in one.what]
    assert whats == [
        f"1 archive is not in the folder of archives: {first}.",
        f"1 archive is not what was archived: {second}.",
    ]
    made = await asyncio.to_thread(take_backup, path, path.with_name("backup"), SystemClock())
    assert _archives_text(made.state) == " 2 files of archives are not in it: copy the folder archives, too."
