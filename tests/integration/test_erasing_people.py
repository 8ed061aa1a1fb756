"""A person whom a list names is erased under every login, and not before the time is over. All people are invented.

Names inside what can't be changed, and a request to be erased: edly-io/sparkth#507, logscale-it/bookie#94; personal
data hidden in what was kept aside: thelia/thelia#3589.
"""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.cli import status_of
from pagereeve.domain.facts.people import MergeUndone, PeopleMerged, PersonNamed, PersonWord
from pagereeve.ports.erasing import Erasure
from pagereeve.ports.store import Store
from pagereeve.queries.verify import verify
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.journal_samples import NOON_US, SECOND_US, started

FIRST, SECOND, OTHER = "anise.example", "adler.example", "borage.example"
TEXTS = (FIRST, SECOND, "Anise Adler", "adler@college.example", "4711-9-22", "Anise has two")
PERSON, SAME, STRANGER = "p-00000000000a", "p-00000000000b", "p-00000000000c"


def said(person: str, word: PersonWord, text: str, until_us: int | None = None) -> PersonNamed:
    return PersonNamed(0, person, word, text, NOON_US, "warden", until_us)


async def fill(journal: Store) -> None:
    for number, owner in enumerate((FIRST, SECOND.upper(), OTHER)):
        begun = started(f"s-{number}", at_us=NOON_US + number * SECOND_US, release=f"r-{number}")
        begun = replace(begun, owner=owner, queue="an invented queue")
        await journal.append(begun)
        # Sent once more, of somebody else: it is kept aside.
        await journal.append(replace(begun, owner=FIRST if owner == OTHER else OTHER))
    for fact in (
        *(said(PERSON, "login", FIRST), said(SAME, "login", SECOND), said(PERSON, "name", "Anise Adler")),
        *(said(SAME, "mail", "adler@college.example"), said(PERSON, "key", "4711-9-22")),
        *(said(PERSON, "cost_centre", "00042"), said(STRANGER, "login", OTHER), said(STRANGER, "name", "Borage Bell")),
        PeopleMerged(NOON_US, SAME, PERSON, "warden", "Anise has two accounts"),
    ):
        await journal.append(fact)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    async def make() -> None:
        journal = await SqlJournal.open(tmp_path / JOURNAL_NAME, SystemClock())
        await fill(journal)
        await journal.close()

    asyncio.run(make())
    return tmp_path


def add(folder: Path, *facts: Any) -> None:
    async def store() -> None:
        journal = await SqlJournal.open(folder / JOURNAL_NAME, SystemClock())
        for fact in facts:
            await journal.append(fact)
        await journal.close()

    asyncio.run(store())


def settings_with(folder: Path, keep: str) -> str:
    config = folder / "pagereeve.toml"
    config.write_text(f'data_dir = "{folder}"\n[site]\nzone = "Europe/Berlin"\n[privacy]\nkeep_names_for = "{keep}"\n')
    return str(config)


def test_whichever_way_the_person_is_named_nothing_of_the_name_is_left(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert status_of(["erase", "adler@college.example", "--yes", "--data-dir", str(folder)]) == 0
    for file in folder.iterdir():
        content = file.read_bytes().lower()
        assert [text for text in TEXTS if text.lower().encode() in content] == [], file.name
    assert OTHER.encode() in (folder / JOURNAL_NAME).read_bytes()
    capsys.readouterr()
    assert status_of(["verify", "--data-dir", str(folder)]) == 0
    capsys.readouterr()
    assert status_of(["totals", "--format", "json", "--data-dir", str(folder)]) == 0
    names = {(one["id"], one["releases"]) for one in json.loads(capsys.readouterr().out)["totals"]}
    assert names <= {(PERSON, 2), (STRANGER, 1)}


def test_inside_the_time_for_which_names_are_kept_it_is_refused_with_the_date(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = (folder / JOURNAL_NAME).read_bytes()
    now_us = SystemClock().now_us()
    days = (now_us - NOON_US) // (86_400 * SECOND_US)
    config = settings_with(folder, f"{days + 3}d")
    assert status_of(["erase", FIRST, "--yes", "--config", config]) == 2
    told = capsys.readouterr().err
    assert "the name is kept until 20" in told
    assert "[privacy] keep_names_for" in told
    assert FIRST.encode() in before
    assert FIRST.encode() in (folder / JOURNAL_NAME).read_bytes()
    if days > 2:
        assert status_of(["erase", FIRST, "--yes", "--config", settings_with(folder, f"{days - 1}d")]) == 0


def test_a_login_that_was_anothers_too_is_not_taken_from_both(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    add(folder, said(STRANGER, "login", FIRST, NOON_US))
    assert status_of(["erase", PERSON, "--yes", "--data-dir", str(folder)]) == 2
    assert "would be erased from both" in capsys.readouterr().err
    assert status_of(["erase", FIRST, "--yes", "--data-dir", str(folder)]) == 2
    assert "name one of them by its id" in capsys.readouterr().err


async def test_both_stores_erase_a_person_alike(store: Store) -> None:
    await fill(store)
    await store.append(MergeUndone(NOON_US + 1, PERSON, STRANGER, "warden", "Anise is not Borage"))
    done = await store.erase(
        Erasure(FIRST, "erased-0123456789ab", "warden", NOON_US + 9, [FIRST, SECOND], [PERSON, SAME])
    )
    # Two starts; three conflicts; five texts of lists; two reasons.
    assert (done.facts, list(done.printers)) == (2 + 3 + 5 + 2, ["", "printer-a"])
    assert (await verify(store)).is_good
    told = str([fact async for fact in store.all_facts()])
    assert [text for text in (*TEXTS, "Anise") if text in told] == []
    assert "Borage Bell" in told
    assert "00042" in told
