"""What others store comes to whoever follows: all of it, in order, and nothing of one's own."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from time import monotonic

import pytest

from pagereeve.ports.following import FollowedFact, Following
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.ports.store import Store
from pagereeve.store.postgres import own_places
from pagereeve.store.postgres.address import Address
from pagereeve.store.postgres.following import CHANNEL, POLL_S, PostgresFollowing
from pagereeve.store.postgres.journal import PostgresJournal
from pagereeve.store.postgres.own_places import OwnPlaces
from tests.integration.postgres_server import Server
from tests.integration.test_postgres_appending import workers
from tests.journal_samples import badge, read, started

LISTENERS = "SELECT pid FROM pg_stat_activity WHERE query LIKE 'LISTEN%' OR query LIKE '%seal_entry.position >%'"


@asynccontextmanager
async def followed(journal: PostgresJournal, *, listens: bool = True) -> AsyncIterator[PostgresFollowing]:
    following = journal.following(listens=listens)
    try:
        yield following
    finally:
        await following.close()


async def all_of(following: Following, limit: int = 100) -> list[FollowedFact]:
    """All that is there now."""
    facts: list[FollowedFact] = []
    while True:
        page = await following.page(limit)
        facts += page.facts
        following.passed(page)
        if not page.more:
            return facts


async def test_who_stores_alone_follows_nobody(store: Store) -> None:
    following = store.following()
    await store.append(badge("own-1", "printer-1"))
    await store.append_together([badge("own-2", "printer-1"), badge("own-3", "printer-2")])
    await store.observe("printer-1", [read(1, "printer-1")], read(2, "printer-1"))
    assert await all_of(following) == []
    assert following.longest_s >= POLL_S
    await following.close()
    await following.close()


async def test_what_others_store_comes_in_order_and_again_until_it_was_taken(postgres_journal: Address) -> None:
    async with workers(postgres_journal, 2) as (one, other), followed(one) as following:
        await other.append(badge("first", "printer-1"))
        await one.append(badge("own", "printer-1"))
        await other.append_together([badge("second", "printer-1"), started("third", "printer-2")])
        for _ in range(2):
            page = await following.page(100)
            assert [(fact.position, fact.seq, fact.fact.printer) for fact in page.facts] == [
                (1, 1, "printer-1"),
                (3, 3, "printer-1"),
                (4, 1, "printer-2"),
            ]
            assert (page.through, page.more) == (4, False)
        following.passed(page)
        assert await all_of(following) == []


async def test_what_stood_before_the_opening_does_not_come(postgres_journal: Address) -> None:
    async with workers(postgres_journal, 1) as (first,):
        await first.append(badge("before", "printer-1"))
        async with workers(postgres_journal, 1) as (later,), followed(later) as following:
            await first.append(badge("after", "printer-1"))
            assert [one.seq for one in await all_of(following)] == [2]


@pytest.mark.parametrize("in_turn", [True, False], ids=["in turn", "by the keys alone"])
async def test_busy_workers_miss_nothing_and_hear_nothing_of_their_own(
    postgres_journal: Address, in_turn: bool
) -> None:
    many = 60

    async def store(journal: PostgresJournal, name: str) -> None:
        for number in range(many):
            await journal.append(badge(f"{name}-{number}", f"printer-{number % 3}"))

    async def follow(following: PostgresFollowing) -> list[FollowedFact]:
        facts: list[FollowedFact] = []
        deadline = monotonic() + 60
        while len(facts) < 2 * many and monotonic() < deadline:
            facts += await all_of(following, 7)
            await following.news()
        return facts + await all_of(following, 7)

    async with workers(postgres_journal, 3, in_turn=in_turn) as journals:
        followings = [one.following() for one in journals]
        storing = [store(one, f"worker-{place}") for place, one in enumerate(journals)]
        found = (await asyncio.gather(*(follow(one) for one in followings), *storing))[: len(journals)]
        for one in followings:
            await one.close()
    for place, facts in enumerate(found):
        assert facts is not None
        positions = [one.position for one in facts]
        assert positions == sorted(set(positions))
        names = [one.fact.origin.id for one in facts]  # type: ignore[union-attr]
        others = {f"worker-{other}-{number}" for other in range(3) if other != place for number in range(many)}
        assert set(names) == others
        assert len(names) == len(others)


async def test_news_come_at_once_and_not_of_ones_own(postgres_journal: Address) -> None:
    async with workers(postgres_journal, 2) as (one, other), followed(one) as following:
        await following.page(1)
        waiting = asyncio.ensure_future(following.news())
        await asyncio.sleep(0.05)
        await one.append(badge("own", "printer-1"))
        await asyncio.sleep(0.1)
        assert not waiting.done()
        began = monotonic()
        await other.append(badge("other", "printer-1"))
        await waiting
        assert monotonic() - began < POLL_S / 2


async def test_without_listening_a_look_each_second_tells(postgres_journal: Address) -> None:
    async with workers(postgres_journal, 2) as (one, other), followed(one, listens=False) as following:
        await following.page(1)
        await other.append(badge("other", "printer-1"))
        began = monotonic()
        await following.news()
        assert len(await all_of(following)) == 1
        assert POLL_S / 2 < monotonic() - began < 2 * POLL_S


async def test_a_connection_that_was_cut_off_is_made_again(postgres: Server, postgres_journal: Address) -> None:
    async with workers(postgres_journal, 2) as (one, other), followed(one) as following:
        assert await all_of(following) == []
        await other.append(badge("while it listened", "printer-1"))
        ended = postgres.run(
            f"SELECT count(pg_terminate_backend(pid)) FROM ({LISTENERS} AND datname = current_database() "
            "AND pid <> pg_backend_pid()) AS found",
            postgres_journal.database,
        )
        assert ended == "1"
        await other.append(badge("while it did not", "printer-1"))
        assert [one.seq for one in await all_of(following)] == [1, 2]
        waiting = asyncio.ensure_future(following.news())
        await asyncio.sleep(0.05)
        began = monotonic()
        await other.append(badge("and again", "printer-1"))
        await waiting
        assert monotonic() - began < POLL_S / 2


async def test_a_closed_one_says_so(postgres_journal: Address) -> None:
    async with workers(postgres_journal, 1) as (one,):
        following = one.following()
        await following.close()
        with pytest.raises(JournalUnavailable, match="is closed"):
            await following.page(1)


async def test_a_row_that_can_not_be_read_is_left_out(postgres: Server, postgres_journal: Address) -> None:
    async with workers(postgres_journal, 2) as (one, other), followed(one) as following:
        await other.append_together([badge("damaged", "printer-1"), badge("whole", "printer-1")])
        postgres.run(
            "SET session_replication_role = replica; UPDATE fact SET body = replace(body, 'damaged', 'damagee')",
            postgres_journal.database,
        )
        assert [one.seq for one in await all_of(following)] == [2]
        assert [one.seq for one in one.damaged()] == [1]


def test_the_channel_is_the_one_that_is_told() -> None:
    from pagereeve.store.migrations.postgres.guards import FUNCTIONS  # noqa: PLC0415 - migrations are loaded late

    assert sum(f"pg_notify('{CHANNEL}'" in one for one in FUNCTIONS) == 1


def test_own_places_are_joined_passed_and_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    own = OwnPlaces()
    own.add(0, 0)
    own.add(0, 3)
    own.add(3, 4)
    own.add(6, 8)
    own.add(10, 11)
    assert [place for place in range(13) if own.holds(place)] == [1, 2, 3, 4, 7, 8, 11]
    assert own.past(0) == 4
    assert own.past(5) == 5
    assert own.past(6) == 8
    assert [place for place in range(13) if own.holds(place)] == [11]
    assert own.past(20) == 20
    assert not own.holds(11)
    monkeypatch.setattr(own_places, "SPANS_MAX", 2)
    for after in (30, 40, 50):
        own.add(after, after + 1)
    assert [place for place in range(60) if own.holds(place)] == [41, 51]
