"""What questions share of a journal is never older than the journal: in each implementation of the store."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pagereeve.domain.accounts.people import People, Who
from pagereeve.domain.facts.facts import Assigned, Fact, PlateauRead, Redated
from pagereeve.domain.facts.people import MergeUndone, PeopleMerged, PersonNamed, PersonWord
from pagereeve.ports.erasing import Erasure
from pagereeve.ports.kept_facts import RUNS_MAX, KeptFacts
from pagereeve.ports.store import Store
from pagereeve.queries.people import people_of
from pagereeve.store.memory.journal import MemoryJournal
from pagereeve.store.sql.reads import StoreReads
from tests.journal_samples import NOON_US, SECOND_US, badge, failed, read

ONE, OTHER = "p-00000000000a", "p-00000000000b"
Shared = MemoryJournal | StoreReads


@pytest.fixture
def shared(store: Store) -> Shared:
    assert isinstance(store, Shared)
    assert store.kept is None
    store.kept = KeptFacts()
    return store


def said(person: str, word: PersonWord, text: str, until_us: int | None = None) -> PersonNamed:
    return PersonNamed(NOON_US, person, word, text, NOON_US, "warden", until_us)


def known(people: People) -> list[tuple[str, str, str]]:
    shown = [(login, people.who(login, NOON_US + 1)) for login in ("u1", "u2", "u3")]
    return [(who.person, people.name_of(who), people.at(login, NOON_US + 1)) for login, who in shown]


async def test_each_change_is_seen_at_once_and_nothing_is_read_again_without_one(store: Store, shared: Shared) -> None:
    steps: list[Fact] = [
        said(ONE, "login", "u1"),
        said(ONE, "name", "Anise Adler"),
        said(OTHER, "login", "u2"),
        PeopleMerged(NOON_US, OTHER, ONE, "warden", "two accounts"),
        MergeUndone(NOON_US + 1, OTHER, ONE, "warden", "two people"),
        Assigned(NOON_US, "u3", "geology"),
        said(ONE, "name", "Anise Alder"),
        said(OTHER, "login", "u2", until_us=NOON_US),
    ]
    for nth, fact in enumerate(steps):
        await store.append(fact)
        fresh = People([one async for one in shared.people_facts()])
        people = await people_of(shared)
        assert known(people) == known(fresh)
        await store.append(badge(f"b{nth}", ""))
        assert await people_of(shared) is people
        async with shared.snapshot() as held:
            assert await people_of(held) is people


async def test_who_is_erased_is_not_kept(store: Store, shared: Shared) -> None:
    await store.append(said(ONE, "login", "u1"))
    await store.append(Assigned(NOON_US, "u1", "geology"))
    assert (await people_of(shared)).who("u1", NOON_US + 1) == Who(ONE, "")
    done = await store.erase(Erasure("u1", "erased-0123456789ab", "warden", NOON_US, ("u1",), (ONE,)))
    assert done.facts > 0
    people = await people_of(shared)
    assert people.who("u1", NOON_US + 1) == Who("", "u1")
    assert people.persons_called("u1") == []
    assert people.at("u1", NOON_US + 1) == ""


async def test_other_dates_of_what_was_said_are_seen(store: Store, shared: Shared) -> None:
    await store.append(said(ONE, "login", "u1"))
    await people_of(shared)
    await store.redate([Redated("", NOON_US + 9, NOON_US - 1, NOON_US + 1, 5 * SECOND_US, "warden", "the clock")])
    assert known(await people_of(shared)) == known(People([one async for one in shared.people_facts()]))


async def test_an_earlier_moment_is_answered_as_it_was(store: Store, shared: Shared) -> None:
    await store.append(said(ONE, "login", "u1"))
    async with shared.snapshot() as held:
        assert (await people_of(held)).persons() == [ONE]
        await store.append(said(OTHER, "login", "u2"))
        assert (await people_of(shared)).persons() == [ONE, OTHER]
        assert (await people_of(held)).persons() == [ONE]
    assert (await people_of(shared)).persons() == [ONE, OTHER]


async def test_an_open_run_is_as_it_was_observed_last(store: Store, shared: Shared) -> None:
    for run in (read(100), failed(), read(103), replace(read(103))):
        await store.observe("printer-a", [], run)
        assert [one.fact async for _, one in shared.open_runs()] == [run]
    again = [one.fact async for _, one in shared.open_runs()]
    assert again == [read(103)]


def test_so_many_runs_are_kept_and_no_more() -> None:
    kept = KeptFacts()
    run = read(1)
    assert isinstance(run, PlateauRead)
    for nth in range(RUNS_MAX + 5):
        kept.keep_run(f"printer-{nth}", "body", run)
    assert len(kept.runs) == RUNS_MAX
    kept.keep_run("printer-0", "another", run)
    assert (kept.run("printer-0", "body"), kept.run("printer-0", "another")) == (None, run)
