"""A journal of before r0019 gets its facts' places at one start, whichever order they were sealed in."""

from __future__ import annotations

import gzip
import os
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from pagereeve.app.archiving import ArchivingRequest, archive_journal
from pagereeve.app.clocks import SystemClock
from pagereeve.domain.accounts.periods import period_of
from pagereeve.domain.seal.merkle import Frontier
from pagereeve.queries.verify import verify
from pagereeve.store.records.body_forms import unpacked_body
from pagereeve.store.records.kind_forms import LETTERS
from pagereeve.store.records.sealing import SealState, seal
from pagereeve.store.sqlite.files import newest_path
from pagereeve.store.sqlite.journal import SqlJournal
from pagereeve.store.sqlite.reads import SqlReads
from tests import archived_journal
from tests.integration.backups import UNNUMBERED
from tests.journal_samples import NOON_US, SECOND_US, badge
from tests.property import days
from tests.sealed_journal import edit, filled, named, verified

KEPT = Path(__file__).parent / "journals" / "r0018" / "journal.sqlite.gz"
IN_ORDER = "SELECT printer, seq, kind, body FROM fact ORDER BY printer, seq"


def as_r0018(path: Path, into: Path) -> None:
    """What stands in the journal, in tables as r0018 made them."""
    into.write_bytes(gzip.decompress(KEPT.read_bytes()))
    with closing(sqlite3.connect(into)) as connection:
        connection.execute("ATTACH ? AS now", (str(path),))
        triggers = connection.execute("SELECT name, sql FROM main.sqlite_schema WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            connection.execute(f"DROP TRIGGER main.{name}")
        tables = connection.execute("SELECT name FROM main.sqlite_schema WHERE type = 'table'").fetchall()
        for (table,) in tables:
            if table in {"alembic_version", "sqlite_sequence"}:
                continue
            columns = ", ".join(row[1] for row in connection.execute(f"PRAGMA main.table_info({table})"))
            connection.execute(f"DELETE FROM main.{table}")
            if table not in UNNUMBERED:
                columns = f"rowid, {columns}"
            connection.execute(f"INSERT INTO main.{table} ({columns}) SELECT {columns} FROM now.{table}")
        for kind, letter in LETTERS.items():
            connection.execute("UPDATE main.fact SET kind = ? WHERE kind = ?", (kind, letter))
        for _, sql in triggers:
            connection.execute(sql)
        connection.commit()
    newest_path(path).rename(newest_path(into))


def seal_as_before(path: Path, sealed: int | None = None) -> None:
    """Its facts as if they had been there before the seal: sealed by timeline and number; the first ones, where a start
    was stopped.
    """
    with closing(sqlite3.connect(path)) as connection, connection:
        [(origin,)] = connection.execute("SELECT origin FROM seal").fetchall()
        guards = connection.execute("SELECT name, sql FROM sqlite_schema WHERE name LIKE 'seal_entry_no%'").fetchall()
        for name, _ in guards:
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute("DELETE FROM seal_entry")
        rows = [(*row[:3], unpacked_body(row[3])) for row in connection.execute(IN_ORDER).fetchall()]
        state = SealState(origin, Frontier())
        entries = seal(state, rows[:sealed], lambda _: None, os.urandom)
        values = [(one.position, one.printer, one.seq, one.link.hex(), one.openings) for one in entries]
        connection.executemany("INSERT INTO seal_entry VALUES (?, ?, ?, ?, ?)", values)
        older = None if sealed is not None else len(rows)
        peaks = " ".join(peak.hex() for peak in state.tree.peaks)
        connection.execute("UPDATE seal SET size = ?, peaks = ?, older = ?", (state.tree.size, peaks, older))
        for _, sql in guards:
            connection.execute(sql)


def facts(path: Path) -> list[tuple[str, int, str]]:
    with closing(sqlite3.connect(path)) as connection:
        return [(row[0], row[1], unpacked_body(row[3])) for row in connection.execute(IN_ORDER)]


@pytest.mark.parametrize("sealed", ["as stored", "before the seal was", "until a start was stopped"])
async def test_places_are_those_of_the_seal_after_one_start(tmp_path: Path, sealed: str) -> None:
    path = tmp_path / "journal.sqlite"
    await filled(tmp_path / "now.sqlite")
    as_r0018(tmp_path / "now.sqlite", path)
    if sealed != "as stored":
        seal_as_before(path, None if sealed == "before the seal was" else 14)
    before = facts(path)
    journal = await SqlJournal.open(path, SystemClock())
    await journal.append(badge("one-more", "printer-a", at_us=NOON_US + 900 * SECOND_US))
    await journal.close()
    assert [one for one in facts(path) if one[2].find("one-more") < 0] == before
    with closing(sqlite3.connect(path)) as connection:
        joined = "fact JOIN seal_entry ON position = place AND seal_entry.printer = fact.printer"
        assert connection.execute(f"SELECT count(*) FROM {joined} AND seal_entry.seq = fact.seq").fetchall() == [(42,)]
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    done = await verified(path)
    assert done.is_good
    assert done.checked == 42
    # A second start finds nothing to do, and what was noted of the newest fact.
    journal = await SqlJournal.open(path, SystemClock())
    assert (await verify(journal)).is_good
    await journal.close()


async def links_follow(path: Path) -> int:
    """Of how many entries whose row is gone somebody else's link before them was found."""
    gone = 0
    last: dict[str, bytes | None] = {}
    async with await SqlReads.open_for_reading(path) as reads:
        async for one in reads.sealed_facts():
            assert await reads.link_before(one.printer, one.seq) == last.get(one.printer), (one.printer, one.seq)
            last[one.printer] = one.link
            gone += one.found is None
    return gone


async def test_what_left_the_journal_before_is_found_in_the_seal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(SystemClock, "now_us", lambda _: archived_journal.AFTER_US)
    monkeypatch.setattr(days, "DAY_US", days.DAY_US)
    path, now = tmp_path / "journal.sqlite", tmp_path / "now.sqlite"
    await archived_journal.fill(now)
    third = period_of(archived_journal.DAYS[2], archived_journal.ZONE)
    done = await archive_journal(now, ArchivingRequest(third, "bursar"))
    as_r0018(now, path)
    await (await SqlJournal.open(path, SystemClock())).close()
    with closing(sqlite3.connect(path)) as after, closing(sqlite3.connect(now)) as before:
        places = "SELECT printer, first_seq, places FROM archive_part ORDER BY 1, 2"
        assert after.execute(places).fetchall() == before.execute(places).fetchall()
    found = await verified(path)
    assert found.is_good
    assert [one.proven for one in found.archives] == [one.facts for one in done.periods]
    assert await links_follow(path) == done.removed > 40
    # Without a word of where they are sealed nothing of them is proven, and the chain is still forwarded.
    edit(path, "UPDATE archive_part SET places = 'none'")
    assert {what for what, *_ in named(await verified(path))} == {"archive-damaged"}
    assert await links_follow(path) == done.removed
