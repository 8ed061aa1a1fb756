"""What a site reads of its own seal to forward it: bodies and openings that give their links, whatever befell them."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from pagereeve.app.archiving import ArchivingRequest, archive_journal
from pagereeve.app.clocks import SystemClock
from pagereeve.domain.accounts.periods import period_of
from pagereeve.domain.facts.facts import ReleaseStarted
from pagereeve.domain.forwarding.batch import SealedBody
from pagereeve.domain.forwarding.verification import link_of
from pagereeve.domain.seal.chain import first_link
from pagereeve.ports.archives import ArchiveUnread
from pagereeve.ports.erasing import Erasure
from pagereeve.ports.forwarding import SealedFacts
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.ports.store import Store
from pagereeve.store.sqlite.files import JOURNAL_NAME, archives_path
from pagereeve.store.sqlite.journal import SqlJournal
from tests.archived_journal import AFTER_US, DAYS, ZONE, fill
from tests.journal_samples import NOON_US, badge, read, started
from tests.property import days
from tests.sealed_journal import edit

KEPT_US = days.DAY_US
PAGE = 7


def owned(name: str, owner: str) -> ReleaseStarted:
    return replace(started(name), owner=owner)


async def all_bodies(store: SealedFacts) -> list[SealedBody]:
    """In pages that end anywhere."""
    bodies: list[SealedBody] = []
    while page := await store.sealed_bodies(len(bodies), PAGE):
        bodies += page
    return bodies


async def broken(store: SealedFacts, bodies: Sequence[SealedBody]) -> list[int]:
    """Places whose body does not give the link that is sealed."""
    head = await store.seal_head()
    assert head is not None
    assert len(bodies) == head.size
    links: dict[str, bytes] = {}
    wrong = []
    for place, one in enumerate(bodies, start=1):
        sealed = one.sealed
        assert await store.sealed_place(place) == sealed
        before = links.get(sealed.timeline) or first_link(head.origin, sealed.timeline)
        assert (await store.link_before(sealed.timeline, sealed.seq) or before) == before
        if one.body is None or link_of(one.body, one.openings, before) != sealed.link:
            wrong.append(place)
        links[sealed.timeline] = sealed.link
    return wrong


async def test_each_body_gives_the_link_that_is_sealed(store: Store) -> None:
    for number in range(20):
        printer = ("printer-a", "printer-b", "")[number % 3]
        await store.append(badge(f"b-{number}", printer))
        await store.append(owned(f"r-{number}", "anise"))
        await store.observe("printer-a", [read(number + 1)], read(number + 2))
    bodies = await all_bodies(store)
    assert len(bodies) == 60
    assert await broken(store, bodies) == []
    assert (await store.sealed_place(0), await store.sealed_place(61)) == (None, None)
    assert await store.link_before("printer-a", 1) is None
    assert await store.sealed_bodies(60, PAGE) == []


async def test_an_erased_person_leaves_links_that_still_follow(store: Store) -> None:
    await store.append(owned("r-1", "anise"))
    await store.append(owned("r-2", "bay"))
    before = await all_bodies(store)
    await store.erase(Erasure("anise", "erased-0123456789ab", "warden", NOON_US))
    after = await all_bodies(store)
    assert await broken(store, after) == []
    assert [one.sealed for one in after[:2]] == [one.sealed for one in before]
    assert "anise" in (before[0].body or "")
    assert all("anise" not in (one.body or "") for one in after)


@pytest.fixture
async def archived(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(SystemClock, "now_us", lambda _: AFTER_US)
    monkeypatch.setattr(days, "DAY_US", KEPT_US)
    path = tmp_path / JOURNAL_NAME
    await fill(path)
    await archive_journal(path, ArchivingRequest(period_of(DAYS[2], ZONE), "warden"))
    return path


async def test_what_lies_in_archives_goes_out_too_and_never_as_if_it_were_gone(archived: Path) -> None:
    journal = await SqlJournal.open(archived, SystemClock())
    try:
        with closing(sqlite3.connect(archived)) as rows:
            (sealed,) = rows.execute("SELECT count(*) FROM seal_entry").fetchone()
            (there,) = rows.execute("SELECT count(*) FROM fact").fetchone()
        assert there < sealed
        assert await broken(journal, await all_bodies(journal)) == []
        for file in archives_path(archived).iterdir():
            file.rename(file.with_suffix(".away"))
        with pytest.raises(ArchiveUnread):
            await all_bodies(journal)
    finally:
        await journal.close()


async def test_rows_that_are_gone_or_damaged_are_told_and_a_broken_seal_is_refused(tmp_path: Path) -> None:
    path = tmp_path / JOURNAL_NAME
    journal = await SqlJournal.open(path, SystemClock())
    for number in range(5):
        await journal.append(badge(f"b-{number}"))
    before = await journal.sealed_bodies(0, 10)
    await journal.close()
    edit(
        path,
        "DELETE FROM fact WHERE seq = 2",
        "UPDATE fact SET body = 7 WHERE seq = 3",
        "UPDATE fact SET body = CAST(x'ff41' AS TEXT) WHERE seq = 4",
    )
    journal = await SqlJournal.open(path, SystemClock())
    bodies = await journal.sealed_bodies(0, 10)
    assert (bodies[0].body, bodies[1].body) == (before[0].body, None)
    assert await broken(journal, bodies) == [2, 3, 4]
    await journal.close()
    edit(path, "UPDATE seal_entry SET link = 'no link' WHERE seq = 3")
    journal = await SqlJournal.open(path, SystemClock())
    with pytest.raises(JournalUnavailable, match="pagereeve verify"):
        await journal.sealed_bodies(0, 10)
    await journal.close()
