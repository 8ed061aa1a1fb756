"""Dispatcher and delivery workers among fakes, in virtual time: once, in order, through restarts and absences."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import Any

import pytest

from pagereeve.domain.alerts import alert as alerting
from pagereeve.domain.alerts.alert import AlertPolicy, SiteLayout
from pagereeve.domain.alerts.message import Notification
from pagereeve.domain.findings.finding import Kind, make
from pagereeve.domain.ledger import Finding, RowSegment
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.alerts import delivery as workers
from pagereeve.engine.alerts import dispatcher as dispatching
from pagereeve.engine.alerts.delivery import DeliveryWorker, retire
from pagereeve.engine.alerts.dispatcher import AlertDispatcher
from pagereeve.ports.outbox import Announcement
from pagereeve.ports.receiver import NotDelivered
from pagereeve.store.memory.journal import MemoryJournal
from tests.findings import said
from tests.unit.engine.virtual import SeededEntropy, VirtualClock, passing

HOUR_S = 3_600
EVERY_S = 5.0
POLICY = AlertPolicy(hold_us=60 * SECOND_US, hold_over_us=300 * SECOND_US)


@dataclass
class FakeReceiver:
    """``away``: can't be reached; ``refuses``: alerts whose messages it refuses; ``hangs``: never answers."""

    name: str = "desk"
    refresh_s: float | None = None
    away: bool = False
    hangs: bool = False
    refuses: set[str] = field(default_factory=set)
    taken: list[Notification] = field(default_factory=list)
    refreshed: list[list[str]] = field(default_factory=list)
    tries: int = 0
    dies_after_taking: int = 0

    async def deliver(self, notification: Notification) -> None:
        self.tries += 1
        if self.hangs:
            await asyncio.sleep(1e6)
        if self.away:
            raise NotDelivered("nobody listens")
        if notification.alert in self.refuses:
            raise NotDelivered("no such field", of_message=True)
        self.taken.append(notification)
        if self.dies_after_taking:
            self.dies_after_taking -= 1
            raise RuntimeError("an invented death after the message went out")

    async def refresh(self, standing: Sequence[Notification], now_us: int) -> None:
        if self.away:
            raise NotDelivered("nobody listens")
        self.refreshed.append([one.id for one in standing])

    async def close(self) -> None: ...


@dataclass
class Office:
    """Findings of a few printers, a dispatcher, and one delivery worker."""

    receiver: FakeReceiver = field(default_factory=FakeReceiver)
    store: MemoryJournal = field(default_factory=MemoryJournal)
    clock: VirtualClock = field(default_factory=VirtualClock)
    around: SiteLayout = field(default_factory=SiteLayout)
    said: list[tuple[str, str, str]] = field(default_factory=list)
    findings: dict[str, dict[str, Finding]] = field(default_factory=dict)
    tasks: list[asyncio.Task[None]] = field(default_factory=list)

    def begin(self) -> None:
        self.dispatcher = AlertDispatcher(
            self.store, self.clock, {self.receiver.name: "warning"}, POLICY, self.around, EVERY_S
        )
        self.worker = DeliveryWorker(
            self.receiver,
            self.store,
            self.clock,
            SeededEntropy(),
            standing=lambda over_us: self.dispatcher.standing("warning", over_us),
            report=lambda *told: self.said.append(told),
            every_s=EVERY_S,
        )
        self.dispatcher.on_told = self.worker.wake
        self.dispatcher.waiting_of = lambda _: self.worker.queue.waiting
        self.tasks = [asyncio.create_task(self.dispatcher.run()), asyncio.create_task(self.worker.run())]

    async def die(self) -> None:
        for task in self.tasks:
            task.cancel()
        await asyncio.gather(*self.tasks, return_exceptions=True)

    async def record(self, *findings: Finding) -> None:
        for finding in findings:
            known = self.findings.setdefault(finding.printer, {})
            known[finding.id] = finding
            await self._store(finding.printer)

    async def drop(self, finding: Finding) -> None:
        del self.findings[finding.printer][finding.id]
        await self._store(finding.printer)

    async def _store(self, printer: str) -> None:
        found = tuple(self.findings[printer].values())
        await self.store.replace(printer, None, [RowSegment(printer, 0, None, findings=found)])

    def taken(self) -> list[tuple[str, str]]:
        return [(one.kind, one.step) for one in self.receiver.taken]


def a(kind: Kind = "surplus", printer: str = "p", number: int = 0) -> Finding:
    return make(kind, printer, (number,), 1_000_000 + number, said(f"text {number}"), [said("line")], pages=2)


def closed(finding: Finding) -> Finding:
    return replace(finding, state="closed", until_us=2_000_000)


def story(script: Callable[[Office], Coroutine[Any, Any, None]], office: Office | None = None) -> Office:
    office = office or Office()

    async def whole() -> None:
        office.begin()
        try:
            await script(office)
        finally:
            await office.die()

    passing(whole())
    return office


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
    assert message.title == "the sender of release notices: releases name a printer that is not in the registry"
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


def test_messages_for_a_receiver_that_is_in_the_settings_no_more_are_given_up_and_told() -> None:
    said: list[tuple[str, str, str]] = []

    async def script(office: Office) -> None:
        office.receiver.away = True
        await office.record(a())
        await asyncio.sleep(70)
        await retire(office.store, [], lambda *told: said.append(told))
        assert await office.store.waiting("desk", 10) == []

    story(script)
    assert said == [("desk", "is in the settings no more; 1 messages were given up", "")]


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
