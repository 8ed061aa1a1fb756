"""Who holds what, in every store that says so: a hint is one worker's at a time, and anybody's once that is gone."""

from __future__ import annotations

from collections.abc import AsyncIterator

import pytest

from pagereeve.ports.hints import Hint, Hints
from pagereeve.store.memory.hints import SoleHolder
from pagereeve.store.postgres.address import Address
from pagereeve.store.postgres.hints import PostgresHints

PRINTERS = [Hint("printer", f"p-{number}") for number in range(5)]
ALERTS = Hint("duty", "alerts")


@pytest.fixture(params=["sole", "postgres"])
async def hints(request: pytest.FixtureRequest) -> AsyncIterator[Hints]:
    one: Hints
    if request.param == "sole":
        one = SoleHolder()
    else:
        address: Address = request.getfixturevalue("postgres_journal")
        one = PostgresHints(address, 7)
    yield one
    await one.close()


async def test_whoever_comes_first_holds_what_it_takes(hints: Hints) -> None:
    await hints.open([*PRINTERS, ALERTS])
    standing = await hints.renew()
    assert standing.workers == (standing.me,)
    assert standing.mine == frozenset()
    assert await hints.take([ALERTS, *PRINTERS], 3) == [ALERTS, *PRINTERS[:2]]
    assert (await hints.renew()).mine == {ALERTS, *PRINTERS[:2]}


async def test_what_is_held_is_not_taken_again_and_what_nobody_offers_is_not_there(hints: Hints) -> None:
    await hints.open(PRINTERS[:3])
    await hints.renew()
    assert await hints.take([PRINTERS[1]], 1) == [PRINTERS[1]]
    assert await hints.take(PRINTERS, 99) == [PRINTERS[0], PRINTERS[2]]
    assert await hints.take(PRINTERS, 99) == []
    assert (await hints.renew()).mine == set(PRINTERS[:3])


@pytest.mark.parametrize("most", [0, -1])
async def test_none_is_taken_where_none_is_wanted(hints: Hints, most: int) -> None:
    await hints.open(PRINTERS)
    await hints.renew()
    assert list(await hints.take(PRINTERS, most)) == []
    assert list(await hints.take([], 5)) == []
    assert (await hints.renew()).mine == frozenset()


async def test_what_is_given_back_can_be_taken_again(hints: Hints) -> None:
    await hints.open(PRINTERS)
    await hints.renew()
    await hints.take(PRINTERS, 4)
    await hints.give_back(PRINTERS[1:3])
    await hints.give_back([Hint("printer", "never-heard-of")])
    assert (await hints.renew()).mine == {PRINTERS[0], PRINTERS[3]}
    assert await hints.take(PRINTERS[::-1], 2) == [PRINTERS[4], PRINTERS[2]]


async def test_offers_add_up_and_change_nothing_of_what_is_held(hints: Hints) -> None:
    await hints.open(PRINTERS[:2])
    await hints.renew()
    await hints.take(PRINTERS, 9)
    await hints.offer(PRINTERS)
    await hints.offer([])
    assert (await hints.renew()).mine == set(PRINTERS[:2])
    assert await hints.take(PRINTERS, 9) == PRINTERS[2:]


async def test_what_a_worker_offered_last_is_what_it_knows(hints: Hints) -> None:
    await hints.open([*PRINTERS[:2], ALERTS])
    standing = await hints.renew()
    assert standing.knows == {standing.me: {"p-0", "p-1"}}
    for offered in (PRINTERS[1:4], [], [ALERTS]):
        await hints.offer(offered)
        assert (await hints.renew()).knows == {standing.me: {one.name for one in offered if one.kind == "printer"}}


async def test_names_are_any_text(hints: Hints) -> None:
    odd = [Hint("printer", name) for name in ("", "ä 'quoted\"", "{braces,commas}", "x" * 900)]
    await hints.open(odd)
    await hints.renew()
    assert list(await hints.take(odd, 9)) == odd
    assert (await hints.renew()).mine == set(odd)
