"""A stored row whose body is not what was written: named, left out, and nothing else stops."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.replay import check_journal
from pagereeve.domain.facts.facts import FactDamaged
from pagereeve.ports.journal import DamagedRow
from pagereeve.store.records.body_forms import unpacked_body
from pagereeve.store.records.checked_rows import claim_of
from pagereeve.store.records.digest_forms import unpacked_digest
from pagereeve.store.records.kind_forms import short_kind
from pagereeve.store.sqlite.connections import ANY_TEXT
from pagereeve.store.sqlite.files import newest_path
from pagereeve.store.sqlite.journal import SqlJournal
from tests.journal_samples import NOON_US, badge, ended, read, started

EDITS = {
    "another figure": ("reading", b'"total":101', b'"total":901'),
    "no JSON": ("reading", b'{"count"', b'"count"'),
    "no UTF-8": ("reading", b"serial-1", b"serial-\xff"),
    "another instant": ("pagereeve.release.started.v1", b'"received":"2026', b'"received":"2027'),
    "another owner": ("pagereeve.release.started.v1", b"owner-1", b"owner-2"),
    "a member that is unknown": ("pagereeve.release.ended.v1", b'"outcome"', b'"outcone"'),
    "another printer": ("pagereeve.badge.presented.v1", b"printer-a", b"printer-b"),
}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite"


async def fill(path: Path) -> None:
    journal = await SqlJournal.open(path, SystemClock())
    for printer in ("printer-a", "printer-b"):
        await journal.observe(printer, [], read(100, printer))
        await journal.append(badge(f"{printer}-badge", printer, at_us=NOON_US + 1_000))
        await journal.append(started(f"{printer}-start", printer, at_us=NOON_US + 2_000, release=f"{printer}-r"))
        await journal.append(ended(f"{printer}-end", f"{printer}-r", printer, at_us=NOON_US + 3_000))
        await journal.observe(printer, [read(101, printer)], read(102, printer))
    await journal.append(badge("of-no-printer", ""))
    await journal.close()


def edit(path: Path, table: str, where: str, was: bytes, now: bytes) -> None:
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("DROP TRIGGER IF EXISTS fact_no_update")
        connection.text_factory = ANY_TEXT
        [(place, stored)] = connection.execute(f"SELECT rowid, body FROM {table} WHERE {where}").fetchall()
        body = unpacked_body(stored).encode(errors="surrogateescape")
        assert was in body
        changed = body.replace(was, now, 1)
        connection.execute(
            f"UPDATE {table} SET body = CAST(? AS TEXT) WHERE rowid = ?",
            (changed, place),
        )


PACKED = {
    "another byte": "substr(body, 1, 60) || x'00' || substr(body, 62)",
    "cut off": "substr(body, 1, length(body) - 5)",
    "something after it": "body || x'0000'",
    "no dictionary": "x'ff' || substr(body, 2)",
    "nothing": "x''",
    "another's body": "(SELECT body FROM fact WHERE printer = 'printer-b' AND kind = 'reading')",
    "a number": "7",
}


@pytest.mark.parametrize("name", PACKED)
async def test_a_packed_body_that_is_damaged_is_set_aside(path: Path, name: str) -> None:
    await fill(path)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("DROP TRIGGER IF EXISTS fact_no_update")
        body = f"CAST({PACKED[name]} AS BLOB)" if name != "a number" else PACKED[name]
        changed = f"UPDATE fact SET body = {body} WHERE typeof(body) = 'blob' AND printer = 'printer-a'"
        assert connection.execute(f"{changed} AND kind = 'reading'").rowcount == 1
    journal = await SqlJournal.open(path, SystemClock())
    stored = [one.fact async for one in journal.facts("printer-a")]
    assert [isinstance(one, FactDamaged) for one in stored].count(True) == 1
    assert list(journal.damaged()) == [DamagedRow("printer-a", 4, "reading")]
    await journal.close()


@pytest.mark.parametrize("name", EDITS)
async def test_a_damaged_fact_is_set_aside_by_printer_and_number(path: Path, name: str) -> None:
    kind, was, now = EDITS[name]
    await fill(path)
    edit(path, "fact", f"printer = 'printer-a' AND kind = '{short_kind(kind)}'", was, now)
    journal = await SqlJournal.open(path, SystemClock())
    stored = [one async for one in journal.facts("printer-a")]
    [(seq, damaged)] = [(one.seq, one.fact) for one in stored if isinstance(one.fact, FactDamaged)]
    assert (damaged.printer, damaged.number, damaged.kind) == ("printer-a", seq, kind)
    assert damaged.at_us >= NOON_US
    assert list(journal.damaged()) == [DamagedRow("printer-a", seq, kind)]
    assert len(stored) == 4
    others = [one.fact async for one in journal.facts("printer-b")]
    assert len(others) == 4
    assert not any(isinstance(one, FactDamaged) for one in others)
    badges = [one async for one in journal.badge_facts()]
    assert len(badges) == 5
    every = [one async for one in journal.all_facts()]
    assert len(every) == 11
    # What comes later is stored, also of the release whose notice is damaged.
    late = await journal.append(ended("late", "printer-a-r", "", at_us=NOON_US + 9_000))
    assert late.outcome == "stored"
    assert len(late.notices) == (2 if kind.startswith(("reading", "pagereeve.badge")) else 1)
    assert (
        await journal.append(started("printer-a-start", "printer-a", at_us=NOON_US + 2_000, release="printer-a-r"))
    ).outcome == "duplicate"
    assert journal.health().damaged_rows == 1
    await journal.close()


async def test_a_damaged_open_run_is_set_aside(path: Path) -> None:
    await fill(path)
    edit(path, "open_run", "printer = 'printer-a'", b'"total":102', b'"total":902')
    journal = await SqlJournal.open(path, SystemClock())
    assert await journal.open_run("printer-a") is None
    assert [printer async for printer, _ in journal.open_runs()] == ["printer-b"]
    assert list(journal.damaged()) == [DamagedRow("printer-a", 0, "open run")]
    await journal.observe("printer-a", [], read(103))
    run = await journal.open_run("printer-a")
    assert run is not None
    await journal.close()


async def test_a_row_of_before_digests_is_read_as_it_is_and_found_only_if_it_cant_be(path: Path) -> None:
    await fill(path)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("DROP TRIGGER IF EXISTS fact_no_update")
        for place, digest in connection.execute("SELECT rowid, digest FROM fact").fetchall():
            claim = claim_of(unpacked_digest(digest)) or None
            connection.execute("UPDATE fact SET digest = ? WHERE rowid = ?", (claim, place))
        connection.execute("UPDATE open_run SET body = substr(body, 1, instr(body, char(10)) - 1)")
    newest_path(path).unlink()
    journal = await SqlJournal.open(path, SystemClock())
    assert len([one async for one in journal.all_facts()]) == 11
    assert journal.damaged() == ()
    again = await journal.append(started("printer-a-start", "printer-a", at_us=NOON_US + 2_000, release="printer-a-r"))
    assert again.outcome == "duplicate"
    await journal.close()
    edit(path, "fact", "printer = 'printer-a' AND kind = 'reading'", b'{"count"', b'"count"')
    journal = await SqlJournal.open(path, SystemClock())
    assert len([one async for one in journal.facts("printer-a")]) == 4
    assert len(journal.damaged()) == 1
    await journal.close()


async def test_a_replay_names_each_damaged_row_and_goes_on(path: Path) -> None:
    await fill(path)
    edit(path, "fact", "printer = 'printer-a' AND kind = 'reading'", b'"total":101', b'"total":901')
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE fact SET body = 'nothing' WHERE printer = ''")
    report = await check_journal(path)
    assert set(report.damaged) == {
        DamagedRow("printer-a", 4, "reading"),
        DamagedRow("", 1, "pagereeve.badge.presented.v1"),
    }
    assert report.printers == 2
