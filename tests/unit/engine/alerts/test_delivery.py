"""Delivery workers: in order, under the same id, through absences, deaths and refusals."""

from __future__ import annotations

import asyncio
from contextlib import suppress

import pytest

from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.alerts import delivery as workers
from pagereeve.engine.alerts import dispatcher as dispatching
from pagereeve.engine.alerts.delivery import retire
from tests.unit.engine.alerts.office import EVERY_S, HOUR_S, Office, a, closed, story


def test_a_receiver_that_is_away_for_a_day_hears_all_in_order_when_it_is_back() -> None:
    async def script(office: Office) -> None:
        office.receiver.away = True
        for number in range(5):
            await office.record(a("surplus", f"p-{number}"))
            await asyncio.sleep(HOUR_S)
        for number in range(5):
            await office.record(closed(a("surplus", f"p-{number}")))
        await asyncio.sleep(19 * HOUR_S)
        assert office.receiver.taken == []
        # Patience: at five minutes' distance at the longest, a day is some 300 tries.
        assert 200 < office.receiver.tries < 500
        office.receiver.away = False
        await asyncio.sleep(600)

    office = story(script)
    for number in range(5):
        mine = [one.step for one in office.receiver.taken if one.subject == f"p-{number}"]
        assert mine == ["opened", "resolved"]
    assert len(office.receiver.taken) == 10
    assert [what for _, what, _ in office.said] == ["takes nothing", "takes messages again"]


def test_a_refused_message_holds_back_its_own_alert_alone() -> None:
    async def script(office: Office) -> None:
        await office.record(a("surplus", "p-1"), a("surplus", "p-2"))
        await asyncio.sleep(70)
        bad = next(one.alert for one in office.receiver.taken if one.subject == "p-1")
        office.receiver.refuses = {bad}
        await office.record(closed(a("surplus", "p-1")), closed(a("surplus", "p-2")))
        await asyncio.sleep(HOUR_S)
        assert [one.subject for one in office.receiver.taken if one.step == "resolved"] == ["p-2"]
        office.receiver.refuses = set()
        await asyncio.sleep(600)

    office = story(script)
    assert [one.subject for one in office.receiver.taken if one.step == "resolved"] == ["p-2", "p-1"]
    assert office.worker.counts["refused"] > 1
    assert office.worker.counts["delivered"] == 4


def test_a_receiver_that_never_answers_is_away_and_the_rest_goes_on() -> None:
    async def script(office: Office) -> None:
        office.receiver.hangs = True
        await office.record(a())
        await asyncio.sleep(HOUR_S)
        office.receiver.hangs = False
        await asyncio.sleep(600)

    office = story(script)
    assert office.taken() == [("surplus", "opened")]
    assert office.worker.counts["failed"] > 3


def test_deaths_lose_nothing_and_repeat_under_the_same_id() -> None:
    async def script(office: Office) -> None:
        office.receiver.dies_after_taking = 1
        await office.record(a())
        with suppress(RuntimeError):
            await asyncio.sleep(70)
            await office.tasks[1]
        await office.die()
        office.begin()
        await asyncio.sleep(HOUR_S)
        await office.die()
        await office.record(closed(a()))
        office.begin()
        await asyncio.sleep(HOUR_S)

    office = story(script)
    steps = {one.id: one.step for one in office.receiver.taken}
    assert list(steps.values()) == ["opened", "resolved"]
    assert [one.step for one in office.receiver.taken] == ["opened", "opened", "resolved"]


def test_states_are_refreshed_while_they_stand_and_five_minutes_longer() -> None:
    async def script(office: Office) -> None:
        office.receiver.refresh_s = 60
        await office.record(a())
        await asyncio.sleep(600)
        name = office.receiver.taken[0].alert
        assert office.receiver.refreshed[-5:] == [[f"{name}.1"]] * 5
        await office.record(closed(a()))
        await asyncio.sleep(600)

    office = story(script)
    name = office.receiver.taken[0].alert
    assert office.receiver.refreshed.count([f"{name}.2"]) == 5
    assert office.receiver.refreshed[-1] == []


def test_what_stands_is_there_again_within_an_interval_of_the_return_however_long_the_absence() -> None:
    """A receiver of states may have lost them (prometheus/alertmanager#77)."""

    async def script(office: Office) -> None:
        office.receiver.refresh_s = 60
        await office.record(a())
        await asyncio.sleep(600)
        for away_s in (100, HOUR_S, 3 * HOUR_S):
            office.receiver.away = True
            await asyncio.sleep(away_s)
            office.receiver.away, office.receiver.refreshed = False, []
            await asyncio.sleep(60 + 2 * EVERY_S)
            assert len(office.receiver.refreshed) in {1, 2}
            assert office.receiver.refreshed[0] == [office.receiver.taken[0].id]

    story(script)


def test_messages_are_given_up_after_their_time_and_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "KEEP_US", 12 * HOUR_S * SECOND_US)

    async def script(office: Office) -> None:
        office.receiver.away = True
        await office.record(a())
        await asyncio.sleep(13 * HOUR_S)
        office.receiver.away = False
        await asyncio.sleep(HOUR_S)

    office = story(script)
    assert office.worker.counts["dropped"] == 1
    assert office.taken() == []
    assert [why for _, _, why in office.said if why == "it was given up"] == ["it was given up"]


def test_beyond_the_room_messages_are_dropped_and_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dispatching, "WAITING_MAX", 2)
    dropped: list[str] = []

    async def script(office: Office) -> None:
        office.receiver.away = True
        office.dispatcher.on_dropped = dropped.append
        for number in range(4):
            await office.record(a("surplus", f"p-{number}"))
            await asyncio.sleep(1_000)

    office = story(script)
    assert dropped == ["desk", "desk"]
    assert len(asyncio.run(office.store.waiting("desk", 10))) == 2


def test_messages_for_a_receiver_that_is_in_the_settings_no_more_are_given_up_and_told() -> None:
    said: list[tuple[str, str, str]] = []

    async def script(office: Office) -> None:
        office.receiver.away = True
        await office.record(a())
        await asyncio.sleep(70)
        await retire(office.store, [], lambda *told: said.append(told))
        assert await office.store.waiting("desk", 10) == []

    story(script)
    assert said == [("desk", "is no longer in the settings; 1 message was given up", "")]
