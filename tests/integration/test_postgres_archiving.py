"""Readings of closed periods leave a database for files in the data folder, also beside daemons that share it: what
holds for a journal that is a file holds here.
"""

from __future__ import annotations

import asyncio
import os
import signal
import sys
import textwrap
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import pytest

from pagereeve.app.archiving import Archived, ArchivingRequest, archive_journal, look_before_archive
from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.app.journals import reads_of
from pagereeve.app.replay import check_journal
from pagereeve.cli import status_of
from pagereeve.domain.accounts.periods import period_of
from pagereeve.ports.archives import ArchiveUnread
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.queries.verify import Verification, verify
from pagereeve.reports.facts_file import fact_lines, line_bytes
from pagereeve.store.errors import InUse
from pagereeve.store.postgres.address import Address
from pagereeve.store.postgres.journal import PostgresJournal
from pagereeve.store.sqlite.archive_file import NotArchived
from pagereeve.store.sqlite.files import JOURNAL_NAME
from tests.archived_journal import AFTER_US, DAYS, PRINTERS, ZONE, fill
from tests.integration.moves import Move, digests
from tests.integration.postgres_server import Server, url_of
from tests.integration.test_archiving import _Killed, _nth
from tests.integration.test_postgres_daemon import journal_settings, settings_file
from tests.journal_samples import badge
from tests.property import days

THIRD: Final = period_of(DAYS[2], ZONE)
KEPT_US: Final = days.DAY_US
CHILD: Final = """
    import asyncio, os, sys
    from pathlib import Path
    from pagereeve.app import archiving
    from pagereeve.app.clocks import SystemClock
    from pagereeve.domain.accounts.periods import period_of
    from pagereeve.store.postgres.address import Address
    from tests.archived_journal import AFTER_US, DAYS, ZONE
    from dataclasses import replace

    archiving.REMOVED_AT_ONCE = 1
    SystemClock.now_us = lambda _: AFTER_US
    address = replace(Address.of(os.environ["URL"], os.environ["PASSWORD"]), archives=Path(sys.argv[1]))
    said = archiving.ArchivingRequest(period_of(DAYS[2], ZONE), "bursar")
    asyncio.run(archiving.archive_journal(address, said))
"""


@pytest.fixture(autouse=True)
def after_the_days(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(SystemClock, "now_us", lambda _: AFTER_US)
    # What fills the journal moves it.
    monkeypatch.setattr(days, "DAY_US", KEPT_US)


@pytest.fixture(scope="module")
def filled(postgres: Server) -> Address:
    """Made once, and copied by the server for each test."""
    address = postgres.new_database()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(SystemClock, "now_us", lambda _: AFTER_US)
        patch.setattr(days, "DAY_US", KEPT_US)
        asyncio.run(fill(address))
    return address


@pytest.fixture
async def place(postgres: Server, filled: Address, tmp_path: Path) -> AsyncIterator[Address]:
    copy = postgres.new_database(f"TEMPLATE {filled.database}")
    yield replace(copy, archives=tmp_path / "archives")
    postgres.drop(copy)


def folder_of(place: Address) -> Path:
    assert place.archives is not None
    return place.archives


async def archive(place: Address, **more: Any) -> Archived:
    return await archive_journal(place, ArchivingRequest(THIRD, "bursar", **more))


async def read(place: Address) -> list[bytes]:
    """All facts but those that tell of archives, as ``pagereeve facts`` writes them."""
    async with await reads_of(place) as reads:
        lines = [line_bytes(line) async for line in fact_lines(reads)]
    return [one for one in lines if b'"facts-archived"' not in one]


async def verified(place: Address) -> Verification:
    async with await reads_of(place) as reads:
        return await verify(reads, [])


def count(postgres: Server, place: Address, what: str = "fact") -> int:
    return int(postgres.run(f"SELECT count(*) FROM {what}", place.database))


async def test_everything_reads_through_the_files(postgres: Server, place: Address) -> None:
    before, rows = await read(place), count(postgres, place)
    look = await look_before_archive(place, THIRD)
    assert count(postgres, place) == rows
    done = await archive(place)
    went = sum(one.facts for one in done.periods)
    assert [one.facts for one in done.periods] == [one.facts for one in look.periods]
    assert went == done.removed > 40
    assert count(postgres, place) == rows - went + len(done.periods)
    assert await read(place) == before
    checked = await verified(place)
    assert (checked.is_good, checked.problems, len(checked.archives)) == (True, [], 2)
    assert not (await check_journal(place)).differing
    assert (await archive(place)).periods == []
    assert (await archive(place, shrink=True)).after is not None
    assert await read(place) == before


def test_the_command_says_what_it_did_and_its_files_are_those_of_a_journal_in_a_file(
    place: Address, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = settings_file(journal_settings(place, tmp_path / "secret"), tmp_path)
    with config.open("a") as file:
        file.write('[site]\nzone = "UTC"\n')
    archives = tmp_path / "data" / "archives"
    archives.parent.mkdir()
    (tmp_path / "beside").mkdir()
    path = tmp_path / "beside" / JOURNAL_NAME
    asyncio.run(fill(path))
    assert status_of(["archive", "--before", DAYS[2], "--data-dir", str(path.parent)]) == 0
    capsys.readouterr()
    for asked in (["--dry-run"], [], ["--shrink"]):
        assert status_of(["archive", "--before", DAYS[2], *asked, "--config", str(config)]) == 0
    said = capsys.readouterr().out
    assert f"Keep these files as you keep the journal: {archives}." in said
    assert "The database stays as large as it was" in said
    for one in ("verify", "replay", "facts"):
        assert status_of([one, *(["--check"] if one == "replay" else []), "--config", str(config)]) == 0
    ours = {one.name: one.read_bytes() for one in archives.iterdir()}
    assert ours == {one.name: one.read_bytes() for one in (path.parent / "archives").iterdir()}
    assert len(ours) == 2


@pytest.mark.timeout(300)
def test_an_archived_journal_moves_and_its_files_stay_where_they_are(move: Move) -> None:
    asyncio.run(fill(move.journal))
    asyncio.run(archive_journal(move.journal, ArchivingRequest(THIRD, "bursar")))
    archives = digests(move.data / "archives")
    status, _, err = move.moved()
    assert (status, err) == (0, "")
    assert digests(move.data / "archives") == archives
    for question in (("facts",), ("verify", "--json"), ("replay", "--check"), ("closed", "--json")):
        ours, theirs = move.both(*question)
        assert ours == theirs, question
        assert ours[0] == 0, ours
    (move.data / "archives").rename(move.data / "elsewhere")
    status, _, err = move.asked("facts", "--config", str(move.database))
    assert (status, f"archive {DAYS[0]}.ndjson.gz" in err) == (2, True), err


async def test_a_machine_without_the_files_is_told_which(place: Address, tmp_path: Path) -> None:
    """Another daemon's: the database says what left it, whoever reads it."""
    done = await archive(place)
    elsewhere = replace(place, archives=tmp_path / "elsewhere")
    with pytest.raises(ArchiveUnread, match=f"archive {done.periods[0].file}, which holds readings .* is not in"):
        await check_journal(elsewhere)
    assert [one.file.name for one in (await verified(elsewhere)).unseen] == [one.file for one in done.periods]
    folder_of(place).rename(tmp_path / "elsewhere")
    assert not (await check_journal(elsewhere)).differing
    with pytest.raises(NotArchived, match="name the settings file"):
        await archive(replace(place, archives=None))


@pytest.mark.parametrize(
    ("statement", "says"),
    [
        ("DELETE FROM fact WHERE kind = 'reading'", "a fact is never deleted"),
        ("DELETE FROM archive", "never changed"),
        ("DELETE FROM archive_part", "never changed"),
        ("UPDATE archive SET sha256 = 'ab'", "never changed"),
        ("UPDATE archive SET removed = 0", "never changed"),
        ("UPDATE archive_part SET last_seq = 10000", "never changed"),
        ("INSERT INTO archive SELECT * FROM archive", "pk_archive"),
        (
            "INSERT INTO archive_part SELECT printer, last_seq, last_seq, 0, 0, 'x', 1, 0, 1, 'x' FROM archive_part",
            "never changed",
        ),
        ("TRUNCATE archive", "archive is never emptied"),
        ("DELETE FROM seal_entry", "a seal is never deleted"),
    ],
)
async def test_the_database_itself_guards_what_stays_and_what_is_recorded(
    postgres: Server, place: Address, statement: str, says: str
) -> None:
    await archive(place)
    assert says in postgres.refusal(statement, place.database)


async def test_only_what_a_recorded_file_holds_can_be_removed(postgres: Server, place: Address) -> None:
    journal = await PostgresJournal.open(place, SystemClock(), SystemEntropy())
    reading = "fact WHERE printer = 'printer-a' AND kind = 'reading'"
    try:
        seq = int(postgres.run(f"SELECT min(seq) FROM {reading}", place.database))
        with pytest.raises(JournalUnavailable, match="a fact is never deleted"):
            await journal.remove_archived("printer-a", [seq])
        assert count(postgres, place, f"{reading} AND seq = {seq}") == 1
        assert count(postgres, place, "archive_removing") == 0
    finally:
        await journal.close()


KILLS = [
    *(("archive_facts", 1, after) for after in (False, True)),
    *(("remove_archived", nth, nth > 3) for nth in (1, 5)),
    ("finish_archive", 1, False),
]


@pytest.mark.parametrize(("method", "nth", "after"), KILLS)
async def test_who_is_killed_at_any_step_leaves_each_fact_somewhere_and_goes_on(
    postgres: Server, place: Address, method: str, nth: int, *, after: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pagereeve.app.archiving.REMOVED_AT_ONCE", 7)
    before = await read(place)
    killed: Callable[..., Any] = _nth(nth, getattr(PostgresJournal, method), after=after)
    with monkeypatch.context() as patch:
        patch.setattr(PostgresJournal, method, killed)
        with pytest.raises(_Killed):
            await archive(place)
    await require_all_there(place, before)
    await archive(place)
    await require_all_there(place, before)
    assert count(postgres, place, "archive WHERE removed = 1") == 2


async def require_all_there(place: Address, before: list[bytes]) -> None:
    assert await read(place) == before
    assert (await verified(place)).is_good
    assert not (await check_journal(place)).differing


async def test_a_process_that_is_killed_while_facts_leave_is_gone_on_with(postgres: Server, place: Address) -> None:
    before, rows = await read(place), count(postgres, place)
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-c", textwrap.dedent(CHILD), str(folder_of(place))),
        env={**os.environ, "URL": url_of(place), "PASSWORD": place.password or "", "PYTHONPATH": ":".join(sys.path)},
    )
    async with asyncio.timeout(60):
        while count(postgres, place) > rows - 5:
            assert process.returncode is None
            await asyncio.sleep(0.01)
    process.send_signal(signal.SIGKILL)
    await process.wait()
    assert count(postgres, place, "archive WHERE removed = 1") < 2, "it was killed too late"
    await require_all_there(place, before)
    done = await until_alone(place)
    assert done.finished
    await require_all_there(place, before)
    assert count(postgres, place, "archive WHERE removed = 1") == 2


async def until_alone(place: Address) -> Archived:
    """The server may take a moment to end the session of a process that was killed."""
    for _ in range(100):
        try:
            return await archive(place)
        except InUse:
            await asyncio.sleep(0.1)
    raise AssertionError("the killed one's session did not end")


async def test_daemons_that_share_the_database_go_on_and_read_through_the_files(
    postgres: Server, place: Address, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pagereeve.app.archiving.REMOVED_AT_ONCE", 7)
    before, rows = await read(place), count(postgres, place)
    beside = await PostgresJournal.open(place, SystemClock(), SystemEntropy(), company="shared")
    try:
        with pytest.raises(InUse, match="another daemon works with it"):
            await archive(place)
        with pytest.raises(InUse):
            await archive(place, shared=True, shrink=True)
        at_once = asyncio.create_task(archive(place, shared=True))
        stored, seen = 0, 0
        while not at_once.done():
            await beside.append(badge(f"beside-{stored}", PRINTERS[0]))
            stored += 1
            # A snapshot that began before some left has them as rows, or in a file that was recorded.
            async with beside.snapshot() as moment:
                numbers = [one.seq async for one in moment.facts(PRINTERS[0])]
            assert numbers == list(range(1, len(numbers) + 1))
            seen += count(postgres, place) < rows
        done = await at_once
        assert stored > 2
        assert seen, "nothing was read while facts left"
        assert done.removed == sum(one.facts for one in done.periods) > 40
        # Where two come, one has it.
        one = await PostgresJournal.open(place, SystemClock(), SystemEntropy(), company="shared")
        await one.begin_archiving()
        with pytest.raises(JournalUnavailable, match="another pagereeve archive"):
            await archive(place, shared=True)
        await one.close()
    finally:
        await beside.close()
    assert [line for line in await read(place) if b"beside-" not in line] == before
    assert (await verified(place)).is_good
