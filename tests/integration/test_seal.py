"""Every kind of edit of a journal whose triggers were dropped is found, and named by printer and number."""

from __future__ import annotations

import json
import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.facts.codec import from_json
from pagereeve.domain.facts.erased import Erased
from pagereeve.domain.facts.facts import PlateauRead, ReadFailed, Redated
from pagereeve.domain.seal.commitments import Openings
from pagereeve.domain.values.errors import BadFact
from pagereeve.ports.store import Store
from pagereeve.queries import verify as verify_module
from pagereeve.queries.verify import HeldHead, verify
from pagereeve.reports.verify import verification_lines
from pagereeve.store.errors import CantOpen, DamagedSeal
from pagereeve.store.records.sealing import SealState, seal
from pagereeve.store.sql import seal as seal_module
from pagereeve.store.sqlite.files import newest_path
from pagereeve.store.sqlite.journal import SqlJournal
from tests.journal_samples import NOON_US, SECOND_US, badge, read, started
from tests.sealed_journal import edit, fill, filled, named, verified

A = "printer = 'printer-a'"
FIGURE = "replace(fact_text(body), '\"total\":101', '\"total\":109')"
SWAP = (
    f"UPDATE fact SET seq = -1 WHERE {A} AND seq = 4",
    f"UPDATE fact SET seq = 4 WHERE {A} AND seq = 5",
    f"UPDATE fact SET seq = 5 WHERE {A} AND seq = -1",
)
COLUMNS = "printer, seq, kind, at_us, source, event_id, release, body, digest, shift_us"
COPY = (
    f"INSERT INTO fact ({COLUMNS}) SELECT printer, 19, kind, at_us, NULL, NULL, release, body, digest, shift_us "
    f"FROM fact WHERE {A} AND kind = 'reading' LIMIT 1"
)
NEW = (
    f"INSERT INTO fact ({COLUMNS}) SELECT printer, 19, kind, at_us, NULL, NULL, release, "
    f"replace(fact_text(body), '100', '900'), NULL, shift_us FROM fact WHERE {A} AND kind = 'reading' LIMIT 1"
)
# By name: what is done, and what must be named, as (what, printer, number).
EDITS: dict[str, tuple[tuple[str, ...], list[tuple[str, str, int]]]] = {
    "a figure": (
        (f"UPDATE fact SET body = {FIGURE} WHERE {A} AND seq = 10",),
        [("edited", "printer-a", 10)],
    ),
    "an owner": (
        (f"UPDATE fact SET body = replace(fact_text(body), 'owner-1', 'owner-2') WHERE {A} AND seq = 2",),
        [("edited", "printer-a", 2)],
    ),
    "a figure with the digest of its row": (
        (f"UPDATE fact SET body = {FIGURE}, digest = NULL WHERE {A} AND seq = 10",),
        [("edited", "printer-a", 10)],
    ),
    "a row gone": ((f"DELETE FROM fact WHERE {A} AND seq = 7",), [("removed", "printer-a", 7)]),
    "a row gone with its seal": (
        (f"DELETE FROM fact WHERE {A} AND seq = 7", f"DELETE FROM seal_entry WHERE {A} AND seq = 7"),
        [("seal-removed", "", 0), ("removed", "printer-a", 7)],
    ),
    "a timeline's last row gone with its seal": (
        (f"DELETE FROM fact WHERE {A} AND seq = 18", f"DELETE FROM seal_entry WHERE {A} AND seq = 18"),
        [("seal-removed", "", 0)],
    ),
    "the last rows of all gone": (
        ("DELETE FROM fact WHERE printer = '' AND seq > 4", "DELETE FROM seal_entry WHERE printer = '' AND seq > 4"),
        [("seal-removed", "", 0), ("unreadable", "", 0)],
    ),
    "a row more": ((NEW,), [("inserted", "printer-a", 19)]),
    "a row twice": ((COPY,), [("doubled", "printer-a", 19)]),
    "two rows in each other's places": (SWAP, [("reordered", "printer-a", 4), ("reordered", "printer-a", 5)]),
    "another printer's": (
        (f"UPDATE fact SET printer = 'printer-b', seq = 19 WHERE {A} AND seq = 3",),
        [("removed", "printer-a", 3), ("inserted", "printer-b", 19)],
    ),
    "a date": (
        (f"UPDATE fact SET at_us = at_us + 1 WHERE {A} AND seq = 3",),
        [("column-edited", "printer-a", 3)],
    ),
    "a date, as if it had been given": (
        (f"UPDATE fact SET at_us = at_us + 5, shift_us = 5 WHERE {A} AND seq = 4",),
        [("date-edited", "printer-a", 4)],
    ),
    "a reading void": (
        (f"UPDATE fact SET at_us = {-(2**62)}, shift_us = NULL WHERE {A} AND seq = 4",),
        [("date-edited", "printer-a", 4)],
    ),
    "a kind": (
        (f"UPDATE fact SET kind = 'read-failed' WHERE {A} AND seq = 4",),
        [("column-edited", "printer-a", 4)],
    ),
    "an identity": (
        (f"UPDATE fact SET event_id = 'another' WHERE {A} AND seq = 2",),
        [("column-edited", "printer-a", 2)],
    ),
    "a place": ((f"UPDATE fact SET place = 1000 WHERE {A} AND seq = 4",), [("column-edited", "printer-a", 4)]),
    "a release": (
        (f"UPDATE fact SET release = 'another' WHERE {A} AND seq = 2",),
        [("column-edited", "printer-a", 2)],
    ),
    "a claim's digest": (
        (f"UPDATE fact SET digest = 'ab' || substr(digest, 3) WHERE {A} AND seq = 2",),
        [("column-edited", "printer-a", 2)],
    ),
    "a salt": (
        (f"UPDATE seal_entry SET openings = '{'01' * 16}' || substr(openings, 33) WHERE {A} AND seq = 2",),
        [("edited", "printer-a", 2)],
    ),
    "a link": (
        (f"UPDATE seal_entry SET link = '{'ab' * 32}' WHERE {A} AND seq = 5",),
        [("seal-edited", "printer-a", 5)],
    ),
    "the summary": (("UPDATE seal SET peaks = replace(peaks, 'a', 'b')",), [("summary-edited", "", 0)]),
    "all of a kind": (
        ("UPDATE fact SET body = replace(fact_text(body), 'Minutes', 'Menu')",),
        [("edited", printer, seq) for printer in ("printer-a", "printer-b") for seq in (2, 8, 14)],
    ),
}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite"


async def test_a_journal_that_nobody_edited_is_all_as_sealed(path: Path) -> None:
    head = await filled(path)
    done = await verified(path, head)
    assert done.is_good
    assert (done.problems, done.checked) == ([], head.size)
    assert done.head is not None
    assert (done.head.older, done.head.size) == (0, 41)


@pytest.mark.parametrize("name", EDITS)
async def test_each_edit_is_named_and_nothing_else_is(path: Path, name: str) -> None:
    statements, expected = EDITS[name]
    await filled(path)
    edit(path, *statements)
    done = await verified(path)
    assert sorted(named(done)) == sorted(expected)
    assert not done.is_good


@pytest.mark.parametrize("times", [1, 2])
async def test_what_nobody_sealed_stands_in_nobodys_way(path: Path, times: int) -> None:
    """Its row has the place that the next fact gets. A start goes on, and it is named as before."""
    await filled(path)
    for nth in range(times):
        edit(path, NEW.replace("19", str(100 + nth)))
        await (await SqlJournal.open(path, SystemClock())).close()
    journal = await SqlJournal.open(path, SystemClock())
    await journal.append(badge("one-more", "printer-b", at_us=NOON_US + 900 * SECOND_US))
    await journal.close()
    done = await verified(path)
    assert [one[1:] for one in named(done)] == [("printer-a", 100 + nth) for nth in range(times)]
    assert done.checked == 42


async def heads(path: Path, rounds: int) -> list[HeldHead]:
    """One after each round."""
    noted = [await filled(path, rounds=1)]
    journal = await SqlJournal.open(path, SystemClock())
    for number in range(1, rounds):
        await fill(journal, first=number, rounds=1)
        head = await journal.seal_head()
        assert head is not None
        noted.append(HeldHead(head.head, head.size, head.origin))
    await journal.close()
    return noted


async def test_an_older_copy_is_found_by_a_head_that_was_kept(path: Path) -> None:
    """Nothing in the journal itself shows it: all was so once."""
    older = path.with_name("older.sqlite")
    await filled(path, rounds=1)
    shutil.copy(path, older)
    journal = await SqlJournal.open(path, SystemClock())
    await fill(journal, first=1, rounds=1)
    head = await journal.seal_head()
    await journal.close()
    assert head is not None
    done = await verified(older, HeldHead(head.head, head.size, head.origin))
    assert done.problems == []
    assert [one.verdict for one in done.verdicts] == ["cut-off"]
    assert not done.is_good


async def test_a_journal_whose_seals_were_all_made_anew_is_found_by_a_head_that_was_kept(path: Path) -> None:
    first, second, third = await heads(path, 3)
    assert (await verified(path, first, second, third, HeldHead(second.head))).is_good
    edit(
        path,
        f"UPDATE fact SET body = {FIGURE}, digest = NULL WHERE {A} AND seq = 10",
        "DELETE FROM seal_entry",
        "UPDATE seal SET size = 0, peaks = '', older = NULL",
    )
    await (await SqlJournal.open(path, SystemClock())).close()
    done = await verified(path, first, second, third, HeldHead(second.head), replace(first, origin="0" * 32))
    assert done.problems == []
    assert [one.verdict for one in done.verdicts] == ["rewritten", "rewritten", "rewritten", "unknown", "other-journal"]


async def test_heads_say_between_which_of_them_something_was_rewritten(path: Path) -> None:
    """An edit of the last round, with its seals and the summary made anew by a program as good as ours."""
    first, second, third = await heads(path, 3)
    twin = path.with_name("twin.sqlite")
    journal = await SqlJournal.open(path, SystemClock())
    await journal.append(badge("one-more", "printer-a", at_us=NOON_US + 900 * SECOND_US))
    await journal.close()
    shutil.copy(path, twin)
    edit(
        twin,
        "UPDATE fact SET body = replace(fact_text(body), 'gateway-1', 'gateway-2'), digest = NULL "
        f"WHERE {A} AND seq = 19",
        f"DELETE FROM seal_entry WHERE {A} AND seq = 19",
    )
    reseal_last(twin, third.size or 0)
    good, bad = await verified(path), await verified(twin)
    assert good.head is not None
    assert bad.head is not None
    assert good.is_good
    assert bad.problems == []
    done = await verified(twin, first, second, third, HeldHead(good.head.head, good.head.size))
    assert [one.verdict for one in done.verdicts] == ["agrees", "agrees", "agrees", "rewritten"]


def reseal_last(path: Path, size: int) -> None:
    """Seal what lies behind the first ``size`` facts anew."""
    with closing(sqlite3.connect(path)) as connection, connection:
        rows = connection.execute("SELECT printer, seq, link FROM seal_entry ORDER BY position").fetchall()
        assert len(rows) == size
        [(origin,)] = connection.execute("SELECT origin FROM seal").fetchall()
        state = SealState(origin)
        for printer, seq, link in rows:
            state.add(printer, seq, link, Openings(()))
        again = connection.execute(f"SELECT printer, seq, kind, body FROM fact WHERE {A} AND seq = 19").fetchall()
        for one in seal(state, again, lambda _: None, bytes):
            values = (one.position, one.printer, one.seq, one.link.hex(), one.openings)
            connection.execute("INSERT INTO seal_entry VALUES (?, ?, ?, ?, ?)", values)
        peaks = " ".join(peak.hex() for peak in state.tree.peaks)
        connection.execute("UPDATE seal SET size = ?, peaks = ?", (state.tree.size, peaks))


async def test_a_write_ahead_file_that_is_gone_is_named_by_what_was_noted_beside(path: Path) -> None:
    """As after a kill: the files are copied while the journal is open."""
    away = path.with_name("away")
    away.mkdir()
    journal = await SqlJournal.open(path, SystemClock())
    await fill(journal, rounds=1)
    await journal.checkpoint()
    await fill(journal, first=1, rounds=1)
    for name in (path.name, newest_path(path).name):
        shutil.copy(path.with_name(name), away)
    await journal.close()
    [problem] = (await verified(away / path.name)).problems
    assert problem.what == "unreadable"
    assert problem.said.startswith("13 of 28 acknowledged facts are missing, as journal.newest beside it says")


async def test_more_edits_than_are_named_are_counted(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(verify_module, "PROBLEMS_MAX", 4)
    await filled(path)
    edit(path, "UPDATE fact SET body = replace(fact_text(body), 'owner-1', 'owner-2') WHERE printer = 'printer-a'")
    edit(path, "UPDATE fact SET body = replace(fact_text(body), 'gateway-1', 'gateway-2') WHERE printer = 'printer-b'")
    done = await verified(path)
    assert len(done.problems) == 4
    assert done.count == 6


async def test_older_facts_are_sealed_in_slices_and_a_start_that_dies_goes_on(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a version before the seal left it; the first start dies in its third slice."""
    await filled(path)
    edit(path, "DELETE FROM seal_entry", "DELETE FROM seal")
    monkeypatch.setattr(seal_module, "SLICE_FACTS", 7)
    slices = 0

    def dies(*arguments: object, **named: object) -> object:
        nonlocal slices
        slices += 1
        if slices == 3:
            raise OSError(5, "the disk failed")
        return seal(*arguments, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(seal_module, "seal", dies)
    with pytest.raises(CantOpen, match="the disk failed"):
        await SqlJournal.open(path, SystemClock())
    monkeypatch.setattr(seal_module, "seal", seal)
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT size, older FROM seal").fetchall() == [(14, None)]
    journal = await SqlJournal.open(path, SystemClock())
    assert journal.health().sealed_facts == 41
    await journal.append(badge("new", "printer-a", at_us=NOON_US + 900 * SECOND_US))
    await journal.close()
    done = await verified(path)
    assert done.is_good
    assert done.head is not None
    assert (done.head.older, done.head.size) == (41, 42)
    assert next(verification_lines(done)).startswith("sealed from fact 42 on; the 41 before it as they stood at 20")


async def test_a_start_is_refused_where_nothing_could_be_sealed(path: Path) -> None:
    await filled(path)
    edit(path, "UPDATE seal SET size = size + 1")
    with pytest.raises(DamagedSeal, match="its seal is damaged: it names 42 facts, and 41 are sealed"):
        await SqlJournal.open(path, SystemClock())


async def test_both_stores_verify_also_what_got_another_date(store: Store) -> None:
    await fill(store)
    moved = Redated("printer-a", NOON_US, NOON_US, NOON_US + 150 * SECOND_US, 3 * SECOND_US, "warden", "clock")
    await store.redate([moved])
    void = Redated("printer-a", NOON_US, NOON_US, NOON_US + 150 * SECOND_US, None, "warden", "another printer")
    await store.redate([void])
    done = await verify(store)
    assert done.is_good
    assert done.checked == 43
    assert (await store.seal_head()) == done.head


async def test_seals_are_made_in_the_transaction_that_stores(store: Store) -> None:
    """A group that is refused leaves no seal, and the next one goes on from there."""
    await fill(store, rounds=1)
    before = await store.seal_head()
    with pytest.raises(BadFact):
        await store.append_together([badge("e4"), started("e5", job="a\x00b")])
    assert await store.seal_head() == before
    assert (await store.append(badge("printer-a-0-badge", "printer-a", at_us=NOON_US + 1))).outcome == "duplicate"
    assert await store.seal_head() == before
    await store.observe("printer-a", [], read(500))
    assert await store.seal_head() == before
    await store.append(badge("e4"))
    done = await verify(store)
    assert done.is_good
    assert before is not None
    assert done.head is not None
    assert done.head.size == before.size + 1


async def test_no_kind_of_fact_is_called_edited_when_nobody_edited_it(tmp_path: Path) -> None:
    """A fact that is no event, and names the source and the id of one, has no identity of its own."""
    lines = (Path(__file__).parents[1] / "unit/domain/facts/facts.jsonl").read_bytes().splitlines()
    facts = [from_json(json.loads(line)) for line in lines]
    journal = await SqlJournal.open(tmp_path / "journal.db", SystemClock())
    stored = set()
    for fact in facts:
        if not isinstance(fact, PlateauRead | ReadFailed | Redated | Erased):
            await journal.append(fact)
            stored.add(type(fact))
    await journal.close()
    done = await verified(tmp_path / "journal.db")
    assert len(stored) > 15
    assert done.problems == []
