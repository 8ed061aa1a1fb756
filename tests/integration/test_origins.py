"""Every journal has a random id, its origin, and each fact says in which journal it was first written."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.store.sqlite.journal import SqlJournal
from tests.integration.test_upgrade import unpacked
from tests.journal_samples import badge

COPIED = (
    "INSERT INTO fact (printer, seq, kind, at_us, source, event_id, release, body, digest, origin) "
    "SELECT printer, 9, kind, at_us, source, event_id, release, body, digest, ? FROM fact WHERE seq = 1"
)


async def opened_once(path: Path) -> str:
    """The id that its seal names."""
    journal = await SqlJournal.open(path, SystemClock())
    try:
        await journal.append(badge("first", "printer-a"))
        head = await journal.seal_head()
    finally:
        await journal.close()
    assert head is not None
    return head.origin


def origins(path: Path) -> list[tuple[int, str, str | None]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT number, id, site FROM origin ORDER BY number").fetchall()


async def test_a_journal_has_one_random_id_from_its_first_start_on(tmp_path: Path) -> None:
    own = await opened_once(tmp_path / "one.sqlite")
    assert origins(tmp_path / "one.sqlite") == [(0, own, None)]
    assert len(bytes.fromhex(own)) == 16
    assert await opened_once(tmp_path / "one.sqlite") == own
    assert await opened_once(tmp_path / "other.sqlite") != own


async def test_a_journal_of_before_keeps_the_id_of_its_seal(tmp_path: Path) -> None:
    unpacked("r0016", tmp_path / "data")
    path = tmp_path / "data" / "journal.sqlite"
    with closing(sqlite3.connect(path)) as connection:
        [(before,)] = connection.execute("SELECT origin FROM seal").fetchall()
    assert await opened_once(path) == before
    assert origins(path) == [(0, before, None)]
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT DISTINCT origin FROM fact").fetchall() == [(0,)]


async def test_an_event_is_stored_once_of_each_origin(tmp_path: Path) -> None:
    await opened_once(tmp_path / "one.sqlite")
    with closing(sqlite3.connect(tmp_path / "one.sqlite")) as connection:
        connection.execute(COPIED, (1,))
        with pytest.raises(sqlite3.IntegrityError, match="an event is stored once"):
            connection.execute(COPIED.replace("9", "10"), (1,))
        with pytest.raises(sqlite3.IntegrityError, match="an event is stored once"):
            connection.execute(COPIED.replace("9", "10"), (0,))


@pytest.mark.parametrize(
    ("statement", "says"),
    [
        ("UPDATE fact SET origin = 1", "a fact is never changed"),
        ("UPDATE origin SET id = 'x'", "an origin is never changed"),
        ("DELETE FROM origin", "an origin is never changed"),
        ("INSERT INTO origin (number, id) VALUES (1, 'x')", "ck_origin_own"),
        ("INSERT INTO origin (number, id, site) SELECT 1, id, 'north' FROM origin", "origin.id"),
    ],
)
async def test_whose_a_fact_is_never_changes(tmp_path: Path, statement: str, says: str) -> None:
    await opened_once(tmp_path / "one.sqlite")
    with (
        closing(sqlite3.connect(tmp_path / "one.sqlite")) as connection,
        pytest.raises(sqlite3.IntegrityError, match=says),
    ):
        connection.execute(statement)


async def test_a_new_fact_takes_one_byte_more_at_most(tmp_path: Path) -> None:
    """SQLite stores 0 as its type alone, one byte in the row's header (sqlite.org/fileformat2.html, section 2.1)."""
    await opened_once(tmp_path / "one.sqlite")
    with closing(sqlite3.connect(tmp_path / "one.sqlite")) as connection:
        columns = connection.execute("SELECT name FROM pragma_table_info('fact')").fetchall()
        names = ", ".join(name for (name,) in columns if name != "origin")
        connection.execute("CREATE TABLE wide AS SELECT * FROM fact")
        connection.execute(f"CREATE TABLE narrow AS SELECT {names} FROM fact")
        sizes = [
            connection.execute("SELECT sum(payload) FROM dbstat WHERE name = ?", (name,)).fetchone()[0]
            for name in ("narrow", "wide")
        ]
    assert 0 <= sizes[1] - sizes[0] <= 1
