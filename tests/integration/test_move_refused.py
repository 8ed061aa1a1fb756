"""What ``pagereeve move`` refuses, by name and with nothing changed; and what it finds in a database that is wrong."""

from __future__ import annotations

import asyncio
import fcntl
import os
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.journals import open_alone
from pagereeve.app.moving import OnStep, move_journal
from pagereeve.store.errors import CantOpen, InUse, NotMoved
from pagereeve.store.postgres.address import Address
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.histories import SIMPLE, started
from tests.integration.moves import Move, digests
from tests.integration.postgres_server import Server
from tests.integration.test_postgres_daemon import journal_settings, settings_file
from tests.integration.test_upgrade import unpacked
from tests.sealed_journal import edit, fill, looked_into

ALL_TABLES = "SELECT count(*) FROM pg_tables WHERE schemaname = 'public'"
ONE_FINDING = (
    "INSERT INTO finding SELECT printer, anchor_us, 99, 'f-1', 'surplus', 'warning', 1, NULL, 'open', 'x', NULL, '', "
    "'' FROM row_segment WHERE printer = 'printer-a' LIMIT 1"
)
ONE_PERIOD = (
    "INSERT INTO closed_period VALUES ('1990', 'UTC', '', 1, 2, 3, 'somebody', '', 1, 'x', 0, '', 0, '', NULL, NULL)"
)
WITHOUT_GUARDS = "SET session_replication_role = replica; "


async def _filled(path: Path, rounds: int = 3) -> None:
    journal = await SqlJournal.open(path, SystemClock())
    await fill(journal, rounds=rounds)
    await journal.close()


@pytest.fixture
def small(move: Move) -> Move:
    asyncio.run(_filled(move.journal))
    return move


def refused(move: Move, server: Server, *words: str, tables: int = 0) -> None:
    """With nothing changed on either side."""
    before = digests(move.data)
    status, out, err = move.moved()
    assert (status, out) == (2, "")
    assert [word for word in words if word not in err] == [], err
    assert str(move.address.password) not in err
    assert digests(move.data) == before
    assert int(server.run(ALL_TABLES, move.address.database)) == tables


def test_settings_that_name_no_database(small: Move) -> None:
    status, _, err = small.asked("move", "--config", str(small.file))
    assert status == 2
    assert "name no database to move to" in err


def test_a_folder_without_a_journal(move: Move, postgres: Server) -> None:
    refused(move, postgres, "there is no such file, so there is nothing to move")


def test_while_a_daemon_works_with_the_file(small: Move, postgres: Server) -> None:
    descriptor = os.open(small.data / "journal.sqlite.lock", os.O_RDWR)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        refused(small, postgres, "has it open", "stop that one first")
    finally:
        os.close(descriptor)


async def test_nor_does_a_daemon_start_with_the_file_meanwhile(small: Move) -> None:
    met: list[bool] = []

    def on_step(what: str, _rows: int, _of: int) -> None:
        if what.startswith("copies") and not met:
            descriptor = os.open(small.data / "journal.sqlite.lock", os.O_RDWR)
            with pytest.raises(BlockingIOError):
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            os.close(descriptor)
            met.append(True)

    assert (await move_journal(small.journal, small.address, on_step)).is_good
    assert met == [True]


def test_commits_that_stand_beside_the_file_as_a_killed_daemon_leaves_them(
    small: Move, postgres: Server, tmp_path: Path
) -> None:
    copy = tmp_path / "copy"
    with closing(sqlite3.connect(small.journal)) as connection:
        connection.execute("UPDATE instance SET since_us = since_us + 1")
        connection.commit()
        shutil.copytree(small.data, copy)
    shutil.rmtree(small.data)
    copy.rename(small.data)
    refused(small, postgres, "journal.sqlite-wal", f"pagereeve replay --data-dir {small.data}")
    assert small.asked("replay", "--data-dir", str(small.data))[0] == 0
    assert small.moved()[0] == 0


def test_a_journal_of_an_older_revision_is_never_changed(move: Move, postgres: Server) -> None:
    move.data.rmdir()
    unpacked("r0012", move.data)
    refused(move, postgres, "has schema r0012", f"pagereeve replay --data-dir {move.data}")


def test_a_journal_that_lacks_what_was_acknowledged(small: Move, postgres: Server) -> None:
    edit(small.journal, "DELETE FROM fact WHERE rowid > 20")
    refused(small, postgres, "acknowledged facts are missing")


def test_a_journal_that_is_not_sealed_to_the_end(small: Move, postgres: Server) -> None:
    edit(small.journal, "UPDATE seal SET older = NULL")
    refused(small, postgres, "not all of its facts are sealed yet")


def test_a_row_that_no_other_database_takes(small: Move, postgres: Server) -> None:
    edit(small.journal, "UPDATE seal_entry SET seq = X'00FF' WHERE position = 3")
    refused(small, postgres, "row 3 of table seal_entry is damaged", "in seq")


def test_a_file_that_is_no_journal(move: Move, postgres: Server) -> None:
    move.journal.write_bytes(b"something else, longer than a header of SQLite's" * 9)
    refused(move, postgres, "not a database")


def test_a_database_with_tables_of_others(small: Move, postgres: Server) -> None:
    postgres.run("CREATE TABLE ours (id int)", small.address.database)
    refused(small, postgres, "holds other tables (ours)", tables=1)


def test_a_database_with_another_journal(small: Move, postgres: Server) -> None:
    async def other() -> None:
        async with open_alone(small.address, SystemClock(), may_make=True) as journal:
            await journal.append(started("theirs", 1, "=basil", SIMPLE))

    asyncio.run(other())
    tables = int(postgres.run(ALL_TABLES, small.address.database))
    refused(small, postgres, "holds another journal (", "1 fact)", "name an empty database", tables=tables)
    assert postgres.run("SELECT count(*) FROM fact", small.address.database) == "1"


async def stopped_early(move: Move) -> None:
    def on_step(what: str, _rows: int, _of: int) -> None:
        if what == "copies seal_entry":
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        await move_journal(move.journal, move.address, on_step)


def test_a_database_into_which_another_journal_is_being_moved(
    small: Move, postgres: Server, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asyncio.run(stopped_early(small))
    (tmp_path / "other").mkdir()
    other = Move.of(tmp_path / "other", small.address, capsys)
    asyncio.run(_filled(other.journal))
    tables = int(postgres.run(ALL_TABLES, small.address.database))
    refused(other, postgres, "a move of another journal", "is not finished", tables=tables)
    assert "An earlier move was stopped; it had stored 83 rows" in small.moved()[1]


def test_a_file_that_somebody_wrote_to_since_the_move_began(small: Move, postgres: Server) -> None:
    asyncio.run(stopped_early(small))

    async def daemon() -> None:
        async with open_alone(small.journal, SystemClock()) as journal:
            await journal.append(started("later", 1, "=basil", SIMPLE))

    asyncio.run(daemon())
    tables = int(postgres.run(ALL_TABLES, small.address.database))
    refused(small, postgres, "somebody wrote to it since", "DROP DATABASE", tables=tables)


async def test_a_file_that_somebody_writes_to_meanwhile(small: Move) -> None:
    def write(what: str, _rows: int, _of: int) -> None:
        if what == "compares answers":
            with small.journal.open("r+b") as file:
                file.seek(24)
                file.write(b"\xff")

    with pytest.raises(NotMoved, match="was written to while it was moved"):
        await move_journal(small.journal, small.address, write)


async def test_of_two_moves_at_once_one_is_refused(small: Move, tmp_path: Path) -> None:
    shutil.copytree(small.data, tmp_path / "copy")
    inner: list[BaseException] = []
    waiting: list[asyncio.Task[None]] = []

    async def second() -> None:
        try:
            await move_journal(tmp_path / "copy" / JOURNAL_NAME, small.address)
        except InUse as error:
            inner.append(error)

    def on_step(what: str, _rows: int, _of: int) -> None:
        if what == "copies fact":
            waiting.append(asyncio.get_running_loop().create_task(second()))
        if what.startswith("reads") and waiting and not waiting[0].done():
            raise AssertionError("the second was not refused while the first was at work")

    first = asyncio.create_task(move_journal(small.journal, small.address, on_step))
    done = await first
    await asyncio.gather(*waiting)
    assert done.is_good
    assert "a daemon or another move works with it" in str(inner[0])


def at(step: str, do: str, server: Server, address: Address) -> OnStep:
    """A change in the database behind the move's back, once it comes to that step."""
    left = [do]

    def on_step(what: str, _rows: int, _of: int) -> None:
        if what == step and left:
            server.run(WITHOUT_GUARDS + left.pop(), address.database)

    return on_step


@pytest.mark.parametrize(
    ("step", "change", "says"),
    [
        ("copies seal", "DELETE FROM fact WHERE seq = 2", "table fact has 41 rows in the file, 41 were sent"),
        ("copies seal", "UPDATE instance SET since_us = 7", "rows of table instance came back other than sent"),
        ("copies seal", "UPDATE seal SET peaks = ''", "rows of table seal came back other than sent"),
        ("verifies the seal in the database", "UPDATE seal_entry SET link = 'x' WHERE seq = 3", "the seal"),
        ("verifies the seal in the database", "UPDATE fact SET body = '{}' WHERE seq = 3", "says of both not the same"),
        (
            "compares answers",
            "UPDATE charge SET charged = charged + 1",
            "other answers came of the database: totals by",
        ),
        ("compares answers", ONE_FINDING, "an answer can't be had"),
        ("compares answers", ONE_PERIOD, "other answers came of the database: closed periods"),
    ],
)
def test_what_came_into_the_database_otherwise_is_found_and_stays_closed(
    small: Move, postgres: Server, step: str, change: str, says: str
) -> None:
    small.asked("replay", "--data-dir", str(small.data))
    with pytest.raises(NotMoved, match=says):
        asyncio.run(move_journal(small.journal, small.address, at(step, change, postgres, small.address)))

    async def opened() -> None:
        async with open_alone(small.address, SystemClock()):
            raise AssertionError("it was opened")

    with pytest.raises(CantOpen, match="is not finished"):
        asyncio.run(opened())


@pytest.mark.parametrize("step", ["copies fact", "verifies the seal in the database", "compares answers"])
async def test_where_the_server_ends_all_sessions_the_same_command_goes_on(
    small: Move, postgres: Server, step: str
) -> None:
    """At the latter two new connections are refused, too."""
    name = small.address.database
    ended = f"SELECT count(pg_terminate_backend(pid)) FROM pg_stat_activity WHERE datname = '{name}'"

    def on_step(what: str, _rows: int, _of: int) -> None:
        if what == step:
            if step != "copies fact":
                postgres.run(f"ALTER DATABASE {name} ALLOW_CONNECTIONS false")
            postgres.run(ended)

    with pytest.raises(NotMoved, match=r"(?i)run the same command again, and it goes on"):
        await move_journal(small.journal, small.address, on_step)
    postgres.run(f"ALTER DATABASE {name} ALLOW_CONNECTIONS true")
    done = await move_journal(small.journal, small.address)
    assert done.is_good
    assert done.went_on_from >= 41


def test_a_server_that_does_not_answer_is_named_without_its_password(
    small: Move, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "nowhere").mkdir()
    given = journal_settings(Address("127.0.0.1", "pages", "pagereeve", "word-of-nobody", 9), tmp_path / "nowhere")
    config = settings_file(given, tmp_path)
    status, _, err = small.asked("move", "--config", str(config))
    assert status == 2
    assert "127.0.0.1:9/pages" in err
    assert "word-of-nobody" not in err


DAMAGED = (
    "UPDATE fact SET body = X'01FFEEDD' WHERE printer = 'printer-b' AND seq = 3",
    "UPDATE fact SET body = 'a' || char(0) || '\\' || char(0) WHERE printer = 'printer-b' AND seq = 5",
    "UPDATE fact SET body = CAST(X'7B22FF5C22' AS TEXT) WHERE printer = 'printer-a' AND seq = 2",
    "UPDATE fact SET digest = X'00' WHERE printer = 'printer-a' AND seq = 4",
    "UPDATE seal_entry SET link = CAST(X'FF' AS TEXT) WHERE position = 7",
    "UPDATE seal_entry SET openings = char(0) WHERE position = 9",
    "UPDATE open_run SET body = 'x' || char(0) WHERE printer = 'printer-a'",
)


def test_a_damaged_row_is_named_and_as_damaged_in_the_database(small: Move, postgres: Server) -> None:
    edit(small.journal, *DAMAGED)
    before = digests(small.data)
    status, out, err = small.moved()
    assert (status, err) == (1, ""), err
    assert digests(small.data) == before
    for named in ("printer-b: fact 3 (", "printer-b: fact 5 (", "printer-a: fact 2 (", "table seal_entry, row 7"):
        assert f"{named}" in out
    assert out.count("Nothing is lost, and it is as damaged as it was") == 6
    damaged = (
        "printer-b: fact 3 (",
        "printer-b: fact 5 (",
        "printer-a: fact 2 (",
        "printer-a: fact 4 (",
        "printer-a: open run",
    )
    lines = [line for line in out.splitlines() if line.endswith("is as damaged in the database")]
    assert sorted(one for one in damaged for line in lines if line.startswith(one)) == sorted(damaged)
    assert len(lines) == len(damaged)
    ours, theirs = small.both("facts")
    assert ours == theirs
    assert ours[0] == 1
    for question in (("verify",), ("verify", "--json"), ("replay", "--check"), ("findings", "--all", "--json")):
        ours, theirs = small.both(*question)
        assert ours == theirs, question
    held = "SELECT body FROM fact WHERE printer = 'printer-b' AND seq IN (3, 5) ORDER BY seq"
    assert postgres.run(held, small.address.database).splitlines() == [r"\x0001ffeedd", r"a\x00\\\x00"]


def test_a_damaged_name_of_a_row_that_follows_from_facts(small: Move) -> None:
    assert small.asked("replay", "--data-dir", str(small.data))[0] == 0
    edit(small.journal, "UPDATE charge SET owner = CAST(X'61FF' AS TEXT) WHERE rowid = 1")
    status, _, err = small.moved()
    assert status == 2
    assert f"owner octets that are no text: it follows from facts, and pagereeve replay --data-dir {small.data}" in err


def test_parts_of_a_close_that_never_ended_stay_behind(small: Move, postgres: Server) -> None:
    edit(small.journal, "INSERT INTO closed_part VALUES ('2026-01', 0, X'00')")
    assert small.moved()[0] == 0
    assert postgres.run("SELECT count(*) FROM closed_part", small.address.database) == "0"
    with closing(looked_into(small.journal)) as connection:
        assert connection.execute("SELECT count(*) FROM closed_part").fetchone() == (1,)
