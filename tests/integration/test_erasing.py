"""A person is taken out of the journal: no byte of the name is left, the seal holds, and pages add up as before."""

from __future__ import annotations

import asyncio
import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.replay import check_journal, replay_store
from pagereeve.cli import status_of
from pagereeve.domain.facts.erased import Erased
from pagereeve.domain.facts.facts import Assigned, Bound
from pagereeve.feeds.local.peer import this_user
from pagereeve.ports.erasing import Erasure
from pagereeve.ports.store import Store
from pagereeve.queries.verify import HeldHead, verify
from pagereeve.store.records.digest_forms import unpacked_openings
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.journal_samples import NOON_US, SECOND_US, badge, started
from tests.sealed_journal import bodies, edit, fill, looked_into, named, verified

OWNER, OTHER = "anise.example", "borage.example"
# Badge hashes, as long as real ones: a shorter text may stand somewhere by chance.
BADGE, SHARED = "b-9f86d081884c7d659a2feaa0c55ad015", "b-60303ae22b998861bce3b28f33eec1be"
AT_US = NOON_US + 5_000 * SECOND_US


async def fill_with_people(journal: Store) -> None:
    await fill(journal)
    for owner, badges in ((OWNER, (BADGE, SHARED)), (OTHER, (SHARED,))):
        await journal.append(Assigned(NOON_US, owner, "centre-7"))
        for one in badges:
            await journal.append(Bound(NOON_US, one, owner, NOON_US))
    for number in range(4):
        at_us = AT_US + number * SECOND_US
        shown = replace(badge(f"{number}-{BADGE[2:14]}", at_us=at_us), badge=BADGE)
        await journal.append(shown)
        begun = started(f"s-{number}", at_us=at_us + 1, release=f"r-{number}")
        ticket = replace(begun.ticket, title="Payslip", pages=number)
        mine = replace(begun, owner=OWNER, badge=BADGE, queue="anise-queue", ticket=ticket)
        await journal.append(mine)
        # Sent once more with another owner, and with another ticket: both are kept aside.
        await journal.append(replace(mine, owner=OTHER))
        await journal.append(replace(mine, ticket=replace(ticket, pages=99)))
        await journal.append(replace(begun, origin=replace(begun.origin, id=f"o-{number}"), owner=OTHER, badge=SHARED))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    async def make() -> HeldHead:
        journal = await SqlJournal.open(tmp_path / JOURNAL_NAME, SystemClock())
        await fill_with_people(journal)
        await replay_store(journal, store=True)
        head = await journal.seal_head()
        await journal.close()
        assert head is not None
        return HeldHead(head.head, head.size, head.origin)

    head = asyncio.run(make())
    (tmp_path / "heads.txt").write_text(f"{head.size}:{head.head}\n")
    return tmp_path


def erased(folder: Path, owner: str = OWNER) -> int:
    return status_of(["erase", owner, "--yes", "--data-dir", str(folder)])


def pages_by_person(folder: Path, capsys: pytest.CaptureFixture[str]) -> dict[str, list[int | None]]:
    assert status_of(["totals", "--format", "json", "--data-dir", str(folder)]) == 0
    lines = json.loads(capsys.readouterr().out)["totals"]
    return {one["person"]: [one[name] for name in ("released", "counted", "charged", "unproven")] for one in lines}


def test_no_byte_of_the_person_is_left_and_the_seal_holds(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, heads = folder / JOURNAL_NAME, folder / "heads.txt"
    texts = (OWNER, BADGE, BADGE[2:14], "Payslip", "anise-queue")
    named_in = [stored for stored, body in bodies(path) if any(text in body for text in texts)]
    assert len(named_in) > 5
    assert all(stored in path.read_bytes() for stored in named_in)
    assert erased(folder) == 0
    said = capsys.readouterr()
    assert "local law" in said.err
    assert OWNER not in said.out
    for file in folder.iterdir():
        content = file.read_bytes()
        for text in texts:
            assert text.encode() not in content, (file.name, text)
        assert not any(stored in content for stored in named_in), file.name
    left = "".join(body for _, body in bodies(path))
    assert not any(text in left for text in texts)
    assert OTHER in left
    assert SHARED in left
    assert status_of(["verify", "--data-dir", str(folder), "--head", str(heads)]) == 0
    assert asyncio.run(check_journal(path)).differing == []


def test_pages_and_charges_stay_under_a_name_of_nobody(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = pages_by_person(folder, capsys)
    assert erased(folder) == 0
    capsys.readouterr()
    after = pages_by_person(folder, capsys)
    [name] = set(after) - set(before)
    assert name.startswith("erased-")
    assert after == {name if who == OWNER else who: pages for who, pages in before.items()}


async def test_a_dated_fact_says_that_somebody_was_erased_and_not_who(folder: Path) -> None:
    path = folder / JOURNAL_NAME
    await asyncio.to_thread(erased, folder)
    journal = await SqlJournal.open(path, SystemClock())
    facts = [one.fact async for one in journal.facts("")]
    [told] = [one for one in facts if isinstance(one, Erased)]
    # Four badges, four starts, two Conflicts each, one assignment, one binding and the owner of the shared badge.
    assert (told.by, told.facts) == (this_user().name, 4 + 4 + 8 + 1 + 2)
    bound = [(one.owner, one.badge) for one in facts if isinstance(one, Bound) and one.owner != "owner-1"]
    assert bound == [(told.name, f"{told.name}-badge-1"), (told.name, SHARED), (OTHER, SHARED)]
    # Whatever a sender sends once more under that identity is known, and brings nothing back.
    again = await journal.append(replace(started("s-1", at_us=AT_US, release="r-1"), owner=OWNER))
    assert again.outcome == "duplicate"
    await journal.close()


async def test_both_stores_erase_alike(store: Store) -> None:
    await fill_with_people(store)
    before = await store.seal_head()
    done = await store.erase(Erasure(OWNER, "erased-0123456789ab", "warden", AT_US))
    assert (done.facts, list(done.printers), done.badges, done.shared_badges) == (19, ["", "printer-a"], 1, 1)
    checked = await verify(store)
    assert checked.is_good
    assert before is not None
    assert checked.checked == before.size + 1
    facts = [fact async for fact in store.all_facts()]
    assert OWNER not in str(facts)
    assert BADGE not in str(facts)
    assert [one.facts for one in facts if isinstance(one, Erased)] == [19]
    again = await store.append(replace(started("s-1", at_us=AT_US, release="r-1"), owner=OWNER))
    assert again.outcome == "duplicate"
    nobody = await store.erase(Erasure(OWNER, "erased-ba9876543210", "warden", AT_US))
    assert (nobody.facts, list(nobody.printers), nobody.badges) == (0, [], 0)
    assert (await verify(store)).checked == checked.checked


async def test_who_changes_what_stands_in_the_place_of_a_name_is_found(folder: Path) -> None:
    path = folder / JOURNAL_NAME
    await asyncio.to_thread(erased, folder)
    with closing(looked_into(path)) as connection:
        query = "SELECT f.printer, f.seq, fact_text(f.body) FROM fact f JOIN seal_entry USING (printer, seq)"
        erased_ones = "typeof(openings) = 'text' AND instr(openings, '=') > 0"
        held = f"{query} WHERE {erased_ones} AND kind = 's' ORDER BY f.seq"
        printer, seq, body = connection.execute(held).fetchone()
    owner = json.loads(body)["data"]["owner"]
    where = f"printer = '{printer}' AND seq = {seq}"
    edit(
        path, f"UPDATE fact SET body = replace(fact_text(body), '{owner}\"', '{OTHER}\"'), digest = NULL WHERE {where}"
    )
    told = [(what, who) for what, who, _ in named(await verified(path))]
    assert ("erased-otherwise", printer) in told
    assert ("erased-otherwise", "") in told


async def test_what_is_erased_behind_the_programs_back_is_found(folder: Path) -> None:
    """With a commitment in the place of the salt, as good as ours: no fact says who did it."""
    from pagereeve.store.records.erasing import Eraser  # noqa: PLC0415

    path = folder / JOURNAL_NAME
    with closing(looked_into(path)) as connection:
        query = "SELECT f.printer, f.seq, fact_text(body), openings FROM fact f JOIN seal_entry USING (printer, seq)"
        held = f"{query} WHERE kind = 's' AND instr(fact_text(body), '{OWNER}') ORDER BY f.seq"
        printer, seq, body, packed = connection.execute(held).fetchone()
    openings = unpacked_openings(packed)
    row = Eraser(frozenset({OWNER}), "erased-000000000000").erased(printer, seq, body, openings)
    assert row is not None
    where = f"printer = '{printer}' AND seq = {seq}"
    edit(
        path,
        f"UPDATE fact SET body = '{row.body}', digest = NULL WHERE {where}",
        f"UPDATE seal_entry SET openings = '{row.openings}' WHERE {where}",
    )
    assert named(await verified(path)) == [("erased-otherwise", printer, seq)]


async def test_a_fact_can_be_changed_only_where_something_of_it_is_erased(folder: Path) -> None:
    """The database itself says so, while its triggers stand."""
    path = folder / JOURNAL_NAME
    await asyncio.to_thread(erased, folder)
    with closing(looked_into(path)) as connection:
        for statement in (
            "UPDATE fact SET body = '{}' WHERE printer = 'printer-a' AND seq = 1",
            "UPDATE fact SET kind = 'x' WHERE fact_text(body) LIKE '%erased-%'",
            "UPDATE fact SET place = place + 1000",
            "UPDATE fact SET rowid = rowid + 1000",
            "UPDATE seal_entry SET link = ''",
            "DELETE FROM seal_entry",
            "DELETE FROM fact",
        ):
            with pytest.raises(sqlite3.IntegrityError, match="is never"):
                connection.execute(statement)


def test_nobody_is_erased_unasked_or_unknown(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = (folder / JOURNAL_NAME).read_bytes()
    assert status_of(["erase", OWNER, "--data-dir", str(folder)]) == 2
    assert "retention duties" in capsys.readouterr().err
    assert (folder / JOURNAL_NAME).read_bytes() == before
    assert erased(folder, "nobody") == 2
    assert "nothing in the journal names that owner" in capsys.readouterr().err
    assert status_of(["verify", "--data-dir", str(folder), "--head", str(folder / "heads.txt")]) == 0


def test_a_second_erasure_is_as_good_as_the_first(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert erased(folder) == 0
    assert erased(folder, OTHER) == 0
    assert erased(folder, OTHER) == 2
    capsys.readouterr()
    assert status_of(["verify", "--data-dir", str(folder), "--head", str(folder / "heads.txt")]) == 0
    for file in folder.iterdir():
        assert OTHER.encode() not in file.read_bytes()


def test_every_spelling_of_the_name_is_erased(tmp_path: Path) -> None:
    """A login counts without regard to case and outer blanks: so does the person."""

    async def make() -> None:
        journal = await SqlJournal.open(tmp_path / JOURNAL_NAME, SystemClock())
        for number, owner in enumerate((OWNER, "Anise.EXAMPLE", OTHER)):
            begun = started(f"s-{number}", at_us=AT_US + number, release=f"r-{number}")
            await journal.append(replace(begun, owner=owner))
        await journal.close()

    asyncio.run(make())
    assert erased(tmp_path, "anise.example ") == 0
    kept = (tmp_path / JOURNAL_NAME).read_bytes().lower()
    assert OWNER.encode() not in kept
    assert OTHER.encode() in kept
