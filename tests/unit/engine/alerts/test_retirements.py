"""Receivers that want nothing more: what is kept of it, through a journal that can't store, restarts and reloads."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

from pagereeve.domain.badges.checks import retirement_of
from pagereeve.domain.badges.projector import SITE
from pagereeve.domain.facts.facts import Fact, ReceiverChanged
from pagereeve.domain.ledger import FindingState, RowSegment
from pagereeve.engine.alerts.retirements import Retirements
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.store.memory.journal import MemoryJournal
from tests.unit.engine.alerts.office import Office, a, story
from tests.unit.engine.virtual import VirtualClock

TARGETS = {"desk": "d1", "night": "n1"}


def begun(store: MemoryJournal, heard: list[Fact] | None = None, **targets: str) -> Retirements:
    return Retirements(store, VirtualClock(), TARGETS | targets, ([] if heard is None else heard).append)


async def changes(store: MemoryJournal) -> list[tuple[str, str, str]]:
    facts = [one.fact async for one in store.facts(SITE)]
    return [(one.receiver, one.change, one.target) for one in facts if isinstance(one, ReceiverChanged)]


async def project(store: MemoryJournal, fact: Fact, state: FindingState = "open") -> None:
    """As the watcher of badges would, and a person."""
    assert isinstance(fact, ReceiverChanged)
    finding = replace(retirement_of(fact).finding(), state=state)
    await store.replace(SITE, None, [RowSegment(SITE, 0, None, findings=(finding,))])


@pytest.mark.parametrize("state", ["closed", "explained"])
async def test_it_lasts_until_a_person_speaks(state: FindingState) -> None:
    store, heard = MemoryJournal(), list[Fact]()
    one = begun(store, heard)
    await one.open()
    assert not await one.is_retired("desk")
    await one.retire("desk")
    # Its finding is projected later: until then there is none.
    assert await one.is_retired("desk")
    await project(store, heard[0])
    assert await one.is_retired("desk")
    assert not await one.is_retired("night")
    await project(store, heard[0], state)
    assert not await one.is_retired("desk")
    assert not await one.is_retired("desk")
    assert await changes(store) == [("desk", "retired", "d1"), ("desk", "resumed", "d1")]
    assert len(heard) == 2


async def test_a_restart_knows_it_by_the_open_finding() -> None:
    store, heard = MemoryJournal(), list[Fact]()
    await begun(store, heard).retire("desk")
    await project(store, heard[0])
    again = begun(store)
    await again.open()
    assert await again.is_retired("desk")
    assert await changes(store) == [("desk", "retired", "d1")]


@pytest.mark.parametrize("targets", [{"desk": "d2", "night": "n1"}, {"night": "n1"}])
async def test_other_settings_end_it_at_a_reload_and_at_a_start(targets: dict[str, str]) -> None:
    for reload in (True, False):
        store, heard = MemoryJournal(), list[Fact]()
        one = begun(store, heard)
        await one.retire("desk")
        await project(store, heard[0])
        if reload:
            await one.change(TARGETS)
            assert await one.is_retired("desk")
            await one.change(targets)
        else:
            one = Retirements(store, VirtualClock(), targets)
            await one.open()
        assert not await one.is_retired("desk")
        assert await changes(store) == [("desk", "retired", "d1"), ("desk", "resumed", targets.get("desk", ""))]


async def test_what_could_not_be_stored_holds_all_the_same_and_is_stored_later() -> None:
    store, heard = MemoryJournal(), list[Fact]()
    one = begun(store, heard)
    store.unavailable = "an invented full disk"
    with pytest.raises(JournalUnavailable):
        await one.retire("desk")
    with pytest.raises(JournalUnavailable):
        await one.is_retired("desk")
    assert heard == []
    store.unavailable = ""
    assert await one.is_retired("desk")
    assert await one.is_retired("desk")
    assert await changes(store) == [("desk", "retired", "d1")]
    assert len(heard) == 1


def test_a_worker_sends_nothing_more_and_keeps_what_waits() -> None:
    async def script(office: Office) -> None:
        heard: list[Fact] = []
        office.worker.retirements = Retirements(office.store, office.clock, TARGETS, heard.append)
        office.receiver.gone = True
        await office.record(a("surplus", "p-1"), a("surplus", "p-2"))
        await asyncio.sleep(3_600)
        assert office.receiver.tries == 1
        assert office.worker.queue.waiting == 2
        await project(office.store, heard[0], "closed")
        office.receiver.gone = False
        await asyncio.sleep(60)
        assert len(office.receiver.taken) == 2
        assert len(heard) == 2

    story(script)


def test_a_receiver_of_states_is_not_refreshed_either() -> None:
    async def script(office: Office) -> None:
        office.worker.retirements = Retirements(office.store, office.clock, TARGETS)
        office.receiver.refresh_s, office.receiver.gone = 60, True
        await office.record(a())
        await asyncio.sleep(3_600)
        before = len(office.receiver.refreshed)
        await asyncio.sleep(3_600)
        assert len(office.receiver.refreshed) == before

    story(script)
