"""The alert dispatcher: once, in order, through restarts, whatever the journal does."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from dataclasses import replace
from typing import Any

import pytest

from pagereeve.domain.alerts import alert as alerting
from pagereeve.domain.alerts.alert import SiteLayout
from pagereeve.domain.ledger import Finding
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.outbox import Announcement
from tests.unit.engine.alerts.office import HOUR_S, Office, a, closed, story


def test_a_finding_is_told_once_and_when_it_is_over() -> None:
    async def script(office: Office) -> None:
        await office.record(a())
        await asyncio.sleep(HOUR_S)
        assert office.taken() == [("surplus", "opened")]
        await office.record(closed(a()))
        await asyncio.sleep(HOUR_S)

    office = story(script)
    assert office.taken() == [("surplus", "opened"), ("surplus", "resolved")]
    assert asyncio.run(office.store.waiting("desk", 10)) == []


GATE = SiteLayout({f"p-{nth}": "gate" for nth in range(20)}, {"gate": 20})


def silences(script: Callable[[Office], Coroutine[Any, Any, None]], around: SiteLayout = GATE) -> list[tuple[str, str]]:
    """What is told, by subject."""
    return [(one.subject, one.step) for one in story(script, Office(around=around)).receiver.taken]


def test_one_silent_printer_is_told_as_that_printer_and_so_is_a_second() -> None:
    async def script(office: Office) -> None:
        for nth in range(2):
            await office.record(a("meter-silent", f"p-{nth}"))
            await asyncio.sleep(HOUR_S)
        for nth in range(2):
            await office.record(closed(a("meter-silent", f"p-{nth}")))
        await asyncio.sleep(HOUR_S)

    assert silences(script) == [(f"p-{nth}", step) for step in ("opened", "resolved") for nth in range(2)]


def test_the_third_silent_printer_behind_a_gateway_is_told_as_the_gateway_and_then_no_more() -> None:
    async def script(office: Office) -> None:
        for nth in range(20):
            await office.record(a("meter-silent", f"p-{nth}"))
            await asyncio.sleep(600)
        for nth in range(20):
            await office.record(closed(a("meter-silent", f"p-{nth}")))
        await asyncio.sleep(HOUR_S)
        # It comes again: as the printer.
        await office.record(a("meter-silent", "p-7", 1))
        await asyncio.sleep(HOUR_S)

    assert silences(script) == [
        ("p-0", "opened"),
        ("p-1", "opened"),
        ("p-0", "resolved"),
        ("p-1", "resolved"),
        ("gateway gate", "opened"),
        ("gateway gate", "resolved"),
        ("p-7", "opened"),
    ]


def test_a_gateway_that_is_off_with_twenty_printers_is_one_alert() -> None:
    """canonical/hardware-observer-operator#476: one alert for many items."""

    async def script(office: Office) -> None:
        for nth in range(20):
            await office.record(a("meter-silent", f"p-{nth}"))
            await asyncio.sleep(2)
        await asyncio.sleep(HOUR_S)

    office = story(script, Office(around=GATE))
    (message,) = office.receiver.taken
    assert message.title == "gateway gate: its printers do not answer"
    assert (message.printer, message.gateway, message.findings) == ("", "gate", 20)
    assert message.what.startswith("20 printers: p-0, p-1,")
    assert len(message.evidence) == 3


def test_200_names_that_nobody_knows_are_one_alert_about_their_sender_without_its_text() -> None:
    async def script(office: Office) -> None:
        for nth in range(200):
            await office.record(a("unknown-printer", f"say-this-{nth}"))
        await asyncio.sleep(HOUR_S)

    (message,) = story(script).receiver.taken
    assert message.title == "the sender of release notices: releases name a printer that is not in the settings"
    assert (message.subject, message.printer, message.findings) == ("the sender of release notices", "", 200)
    assert message.what.startswith("200 printers: say-this-0, say-this-1, ")


def test_a_third_printer_that_merely_flaps_does_not_make_it_the_gateway() -> None:
    async def script(office: Office) -> None:
        for nth in range(3):
            await office.record(a("meter-silent", f"p-{nth}"))
            await asyncio.sleep(30 if nth == 2 else 600)
        await office.record(closed(a("meter-silent", "p-2")))
        await asyncio.sleep(HOUR_S)

    assert silences(script) == [("p-0", "opened"), ("p-1", "opened")]


def test_printers_that_are_worked_on_do_not_make_it_the_gateway_and_do_not_silence_others() -> None:
    async def script(office: Office) -> None:
        for nth in range(3):
            await office.record(a("meter-silent", f"p-{nth}"))
        await asyncio.sleep(HOUR_S)

    quiet = replace(GATE, is_quiet=lambda printer, _gateway, _at_us: printer == "p-1")
    assert silences(script, quiet) == [("p-0", "opened"), ("p-2", "opened")]


def test_a_finding_below_the_least_severity_is_not_told() -> None:
    async def script(office: Office) -> None:
        await office.record(a("repeated-release"))
        await asyncio.sleep(HOUR_S)

    assert story(script).taken() == []


def test_a_death_within_the_hold_neither_loses_nor_hurries_the_alert() -> None:
    async def script(office: Office) -> None:
        await office.record(a())
        await asyncio.sleep(40)
        await office.die()
        office.begin()
        await asyncio.sleep(10)
        assert office.taken() == []
        await asyncio.sleep(20)

    assert story(script).taken() == [("surplus", "opened")]


def test_a_journal_that_stores_nothing_delays_and_loses_nothing() -> None:
    async def script(office: Office) -> None:
        await office.record(a())
        await asyncio.sleep(30)
        office.store.unavailable = "an invented full disk"
        with pytest.raises(Exception, match="full disk"):
            await office.tasks[0]
        office.store.unavailable = ""
        office.tasks[0] = asyncio.create_task(office.dispatcher.run())
        await asyncio.sleep(HOUR_S)

    assert story(script).taken() == [("surplus", "opened")]


def test_a_finding_that_comes_again_after_it_was_over_is_another_alert() -> None:
    async def script(office: Office) -> None:
        for _ in range(2):
            await office.record(a("meter-silent"))
            await asyncio.sleep(HOUR_S)
            await office.drop(a("meter-silent"))
            await asyncio.sleep(HOUR_S)

    office = story(script)
    assert [step for _, step in office.taken()] == ["opened", "resolved"] * 2
    assert len({one.id for one in office.receiver.taken}) == 4


def test_an_alert_with_more_findings_than_it_has_room_for_is_over_only_when_all_are(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(alerting, "MEMBERS_MAX", 3)

    async def script(office: Office) -> None:
        for number in range(8):
            await office.record(a(number=number))
        await asyncio.sleep(HOUR_S)
        for number in range(7):
            await office.record(closed(a(number=number)))
            await asyncio.sleep(60)
        await asyncio.sleep(HOUR_S)
        assert [step for _, step in office.taken()] == ["opened"]
        await office.record(closed(a(number=7)))
        await asyncio.sleep(60)
        assert [step for _, step in office.taken()] == ["opened", "resolved"]

    story(script)


def test_what_is_over_is_forgotten_after_an_hour() -> None:
    async def script(office: Office) -> None:
        await office.record(a())
        await asyncio.sleep(70)
        await office.record(closed(a()))
        await asyncio.sleep(70)
        assert len(await office.store.alerts()) == 1
        await asyncio.sleep(HOUR_S)
        assert await office.store.alerts() == []

    story(script)


def test_nothing_is_written_while_nothing_changes() -> None:
    async def script(office: Office) -> None:
        await office.record(a())
        await asyncio.sleep(HOUR_S)
        wrote: list[Announcement] = []
        announce = office.store.announce

        async def kept(announcement: Announcement) -> None:
            wrote.append(announcement)
            await announce(announcement)

        office.store.announce = kept  # type: ignore[method-assign]
        await asyncio.sleep(HOUR_S)
        assert wrote == []
        await office.record(a(number=1))
        await asyncio.sleep(HOUR_S)
        assert wrote

    story(script)


def test_many_changes_that_each_wait_for_a_busy_journal_are_no_sign_that_it_is_stuck() -> None:
    async def script(office: Office) -> None:
        found = office.store.finding

        async def slow(name: str) -> Finding | None:
            await asyncio.sleep(2.0)
            assert not office.dispatcher.heartbeat.stuck
            return await found(name)

        office.store.finding = slow  # type: ignore[method-assign]
        await office.record(*(a(number=number) for number in range(100)))
        await asyncio.sleep(HOUR_S)

    assert story(script).taken()[0] == ("surplus", "opened")


def test_open_alerts_are_those_that_were_sent_and_are_not_over() -> None:
    async def script(office: Office) -> None:
        counts = office.dispatcher.open_alerts
        await office.record(a())
        await asyncio.sleep(30)
        # Held: nobody was informed yet.
        assert set(counts().values()) == {0}
        await asyncio.sleep(40)
        assert counts()["warning"] == 1
        assert sum(counts().values()) == 1
        await office.record(closed(a()))
        await asyncio.sleep(70)
        assert set(counts().values()) == {0}

    story(script)


def test_a_receiver_of_states_is_shown_what_is_as_severe_as_it_asks_for() -> None:
    async def script(office: Office) -> None:
        await office.record(a())
        await asyncio.sleep(70)
        shown = {least: len(office.dispatcher.standing(least, 0)) for least in ("info", "warning", "critical")}
        assert shown == {"info": 1, "warning": 1, "critical": 0}
        await office.record(closed(a()))
        await asyncio.sleep(70)
        assert office.dispatcher.standing("warning", 60 * SECOND_US) == []
        assert len(office.dispatcher.standing("warning", 3600 * SECOND_US)) == 1

    story(script)
