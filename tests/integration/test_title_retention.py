"""Titles of jobs go when their time is over, by the daemon or by hand: no byte is left, and the seal holds."""

from __future__ import annotations

import asyncio
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.app.installation import examine
from pagereeve.app.replay import check_journal, replay_store
from pagereeve.cli import status_of
from pagereeve.domain.facts.erased import Erased
from pagereeve.domain.facts.facts import ReleaseStarted
from pagereeve.engine.supervision.title_retention import BY
from pagereeve.feeds.local.peer import this_user
from pagereeve.ports import erasing
from pagereeve.ports.erasing import TitleExpiry, TitlesExpired
from pagereeve.ports.store import Store
from pagereeve.queries.verify import verify
from pagereeve.settings import Duration
from pagereeve.settings.sections import PrivacySettings
from pagereeve.store.sql import title_expiry
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.integration.daemon import hasty_settings, until
from tests.integration.test_erasing import AT_US, OWNER, fill_with_people
from tests.journal_samples import started
from tests.sealed_journal import bodies, edit, looked_into

# ``fill`` has six start notices, three rounds at two printers; then come eight more, four of them of two claims each.
EARLY, LATE = 6, 8
NAME = "erased-0123456789ab"


def expiry(before_us: int, name: str = NAME) -> TitleExpiry:
    return TitleExpiry(name, "warden", AT_US, before_us)


async def titles(store: Store) -> list[str]:
    facts = [fact async for fact in store.all_facts()]
    return [one.ticket.title or "" for one in facts if isinstance(one, ReleaseStarted)]


async def test_both_stores_take_the_old_ones_out_and_nothing_else(store: Store) -> None:
    await fill_with_people(store)
    before = [fact async for fact in store.all_facts()]
    done = await store.expire_titles(expiry(AT_US))
    assert done == TitlesExpired(EARLY, None)
    known = await titles(store)
    assert sorted(one for one in known if not one.startswith(NAME)) == ["", "", "", "", *["Payslip"] * 4]
    assert (await verify(store)).is_good
    after = [fact async for fact in store.all_facts()]
    changed = [
        (was, now) for was, now in zip(before, [one for one in after if not isinstance(one, Erased)], strict=True)
    ]
    for was, now in changed:
        if was != now:
            assert isinstance(was, ReleaseStarted)
            assert isinstance(now, ReleaseStarted)
            assert replace(now, ticket=replace(now.ticket, title="Minutes")) == was
    [told] = [one for one in after if isinstance(one, Erased)]
    assert (told.name, told.by, told.facts, told.at_us) == (NAME, "warden", EARLY, AT_US)
    assert await store.expire_titles(expiry(AT_US, "erased-ba9876543210")) == TitlesExpired(0, None)
    assert await store.title_us(0, AT_US) is None
    assert await store.title_us(0, AT_US + LATE * 10**6) == AT_US + 1


async def test_what_was_kept_aside_loses_its_title_too_and_what_comes_again_is_known(store: Store) -> None:
    await fill_with_people(store)
    done = await store.expire_titles(expiry(AT_US + LATE * 10**6))
    # The four that came with other claims; of each two are kept aside, which are no facts.
    assert done.facts == EARLY + 4
    assert not [one for one in await titles(store) if one and not one.startswith(NAME)]
    assert (await verify(store)).is_good
    again = await store.append(replace(started("s-1", at_us=AT_US, release="r-1"), owner=OWNER))
    assert again.outcome == "duplicate"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    async def make() -> None:
        journal = await SqlJournal.open(tmp_path / JOURNAL_NAME, SystemClock())
        await fill_with_people(journal)
        await replay_store(journal, store=True)
        await journal.close()

    asyncio.run(make())
    path = tmp_path / "pagereeve.toml"
    path.write_text('data_dir = "."\n[privacy]\nkeep_titles = true\nkeep_titles_for = "30d"\n')
    return tmp_path


async def told_of(folder: Path) -> list[Erased]:
    journal = await SqlJournal.open(folder / JOURNAL_NAME, SystemClock())
    told = [one.fact async for one in journal.facts("") if isinstance(one.fact, Erased)]
    await journal.close()
    return told


TITLES = ("Payslip", "Minutes")


def left(folder: Path) -> list[tuple[str, str]]:
    files = [(one.name, one.read_bytes()) for one in sorted(folder.iterdir()) if one.is_file()]
    # In the journal bodies are packed: what they say is looked at as well.
    files += [(JOURNAL_NAME, "".join(body for _, body in bodies(folder / JOURNAL_NAME)).encode())]
    return list({(name, text): None for name, content in files for text in TITLES if text.encode() in content})


def holding(folder: Path, title: str) -> list[bytes]:
    """Bodies with the title, as they are stored."""
    return [stored for stored, body in bodies(folder / JOURNAL_NAME) if title in body]


def test_by_hand_no_byte_is_left_and_a_page_at_a_time_is_enough(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for module in (erasing, title_expiry):
        monkeypatch.setattr(module, "TITLES_AT_ONCE", 3)
    assert left(folder) == [(JOURNAL_NAME, "Payslip"), (JOURNAL_NAME, "Minutes")]
    packed = [one for title in TITLES for one in holding(folder, title)]
    assert len(packed) >= EARLY
    config = ("--config", str(folder / "pagereeve.toml"))
    assert status_of(["erase-titles", *config]) == 0
    content = (folder / JOURNAL_NAME).read_bytes()
    assert not any(one in content for one in packed)
    assert capsys.readouterr().out == f"Titles were deleted from {EARLY + 4} facts.\n"
    assert left(folder) == []
    assert status_of(["verify", *config]) == 0
    assert asyncio.run(check_journal(folder / JOURNAL_NAME)).differing == []
    capsys.readouterr()
    assert status_of(["erase-titles", *config]) == 0
    assert capsys.readouterr().out == "No title is older.\n"
    told = asyncio.run(told_of(folder))
    assert len(told) > 1
    assert {one.by for one in told} == {this_user().name}
    (folder / "pagereeve.toml").write_text('data_dir = "."\n')
    assert status_of(["erase-titles", *config]) == 2
    assert "keep_titles_for is not set" in capsys.readouterr().err


def test_who_takes_out_more_titles_than_was_said_is_found(folder: Path) -> None:
    config = ("--config", str(folder / "pagereeve.toml"))
    assert status_of(["erase-titles", *config]) == 0
    path = folder / JOURNAL_NAME
    with closing(looked_into(path)) as connection:
        query = 'SELECT fact_text(body) FROM fact WHERE fact_text(body) LIKE \'%"title":"erased-%\' LIMIT 1'
        (body,) = connection.execute(query).fetchone()
    name = body.partition('"title":"')[2].partition('"')[0]
    changed = f"UPDATE fact SET body = replace(fact_text(body), '{name}', 'Minutes'), digest = NULL"
    edit(path, f"{changed} WHERE instr(fact_text(body), '{name}') > 0")
    assert status_of(["verify", *config]) == 1


async def test_the_daemon_does_it_by_itself_and_doctor_sees_what_stays(tmp_path: Path) -> None:
    keep = PrivacySettings(keep_titles=True, keep_titles_for=Duration.of("30d"))
    settings = hasty_settings(tmp_path, (), privacy=keep)
    now_us = SystemClock().now_us()
    journal = await SqlJournal.open(tmp_path / JOURNAL_NAME, SystemClock())
    for name, days, title in (("old", 40, "Payslip"), ("new", 0.04, "Minutes")):
        begun = started(name, at_us=round(now_us - days * 86_400 * 10**6), release=name)
        await journal.append(replace(begun, ticket=replace(begun.ticket, title=title)))
    await journal.close()
    assert (await examine(settings, (), tmp_path / JOURNAL_NAME)).title_us is not None
    async with App(settings) as app:

        async def gone() -> bool | None:
            return None if "Payslip" in await titles(app.store) else True

        assert await until(gone, "titles that are gone")
        assert min(await titles(app.store)) == "Minutes"
        told = [one.fact async for one in app.store.facts("") if isinstance(one.fact, Erased)]
        assert [(one.by, one.facts) for one in told] == [(BY, 1)]
        assert (await verify(app.store)).is_good

        async def counted() -> bool | None:
            return app.telemetry.process().engine.titles["erased"] == 1 or None

        assert await until(counted, "the count of the title that is gone")
    assert left(tmp_path) == [(JOURNAL_NAME, "Minutes")]
    assert (await examine(settings, (), tmp_path / JOURNAL_NAME)).title_us is None
