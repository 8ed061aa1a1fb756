"""Silence has kinds, and the operator sees which."""

from __future__ import annotations

import asyncio
from typing import cast

import pytest

from pagereeve.domain.brackets.plateaus import record
from pagereeve.domain.facts.facts import PlateauRead, ReadFailed
from pagereeve.domain.facts.reading import SilenceReason
from pagereeve.meters.reader import SnmpMeter, _within_s
from pagereeve.meters.snmp.address import AgentAddress, Key
from pagereeve.meters.snmp.lane import Lane
from pagereeve.meters.snmp.message import GET, template
from pagereeve.meters.snmp.question import STRICT, Leave, Question, RequestPatience, SnmpAnswer, Unanswered
from pagereeve.meters.snmp.stats import DatagramRefusal, MeterHooks
from tests.integration.meter import a_meter, failure, total
from tests.snmp_agents import (
    MachineClock,
    MibAgent,
    Peer,
    RawAgent,
    SeededEntropy,
    mib_agent,
    printer_mib,
    raw_agent,
)

pytestmark = pytest.mark.alone


class Sleeper(MibAgent):
    """Answers while awake."""

    awake = True

    def answer(self, data: bytes) -> bytes | None:
        return super().answer(data) if self.awake else None


async def test_a_printer_that_answered_and_stopped_is_asleep_not_refused() -> None:
    # bieniu/brother#119 (off, or another community), home-assistant/core#128067 (asleep)
    agent = Sleeper(printer_mib())
    async with a_meter() as meter, mib_agent(agent) as raw:
        agent.awake = False
        never = failure(await meter.read(raw.target(), 0.3))
        assert never.reason is SilenceReason.TIMEOUT
        assert "access list" in never.detail
        agent.awake = True
        assert total(await meter.read(raw.target(), 2.0)) == 764
        agent.awake = False
        asleep = failure(await meter.read(raw.target(), 0.3))
        assert asleep.reason is SilenceReason.ASLEEP
        assert "which answered before" in asleep.detail


class NightClock(MachineClock):
    """The machine's clock, which the test moves on."""

    moved_us = 0

    def now_us(self) -> int:
        return super().now_us() + self.moved_us

    def monotonic_us(self) -> int:
        return super().monotonic_us() + self.moved_us


async def test_a_sleepers_night_is_one_fact() -> None:
    # home-assistant/core#128067: a printer that answers nothing while it sleeps
    clock, agent = NightClock(), Sleeper(printer_mib())
    meter = SnmpMeter.of(clock, SeededEntropy())
    try:
        async with mib_agent(agent) as raw:
            current = record("p1", None, await meter.read(raw.target(), 2.0)).current
            agent.awake = False
            sealed = []
            for _ in range(32):
                clock.moved_us += 900_000_000
                recorded = record("p1", current, await meter.read(raw.target(), 0.03))
                current = recorded.current
                sealed += [recorded.sealed] if recorded.sealed else []
    finally:
        await meter.close()
    assert [type(fact) for fact in sealed] == [PlateauRead]
    assert isinstance(current, ReadFailed)
    assert (current.silence.reason, current.silence.count) == (SilenceReason.ASLEEP, 32)


@pytest.mark.parametrize(("took_us", "within_s"), [(1, 0.1), (400_000, 0.5), (2_100_000, 5), (900_000_000, 600)])
def test_how_late_a_printer_is_stays_the_same_from_read_to_read(took_us: int, within_s: float) -> None:
    assert _within_s(took_us) == within_s


async def test_answers_that_come_too_late_are_told_from_none() -> None:
    # weltmeyer/ha_snmp_stats#10: a gateway slow under load
    agent = MibAgent(printer_mib())

    def slowly(data: bytes, source: Peer, raw: RawAgent) -> None:
        answer = agent.answer(data)
        assert answer is not None
        asyncio.get_running_loop().call_later(0.4, raw.send, answer, source)

    async with a_meter() as meter, raw_agent(slowly) as raw:
        assert failure(await meter.read(raw.target(), 0.25)).reason is SilenceReason.TIMEOUT
        await asyncio.sleep(0.5)
        late = failure(await meter.read(raw.target(), 0.25))
        assert late.reason is SilenceReason.LATE
        assert "within 0.5 s of the request; lengthen watch.read_timeout" in late.detail
        assert late.responder == f"127.0.0.1:{raw.port}"
        # Given the time, it is read; and that it took long is counted.
        await asyncio.sleep(0.5)
        assert total(await meter.read(raw.target(), 5.0)) == 764
        assert meter.stats.oddities()["slow-read"] == 0
        assert total(await meter.read(raw.target(), 0.7)) == 764
        assert meter.stats.oddities()["slow-read"] == 1


async def test_a_second_answer_to_a_question_that_was_answered_is_not_a_late_printer() -> None:
    """A retry that crosses the first answer brings a second one; the printer that then sleeps is asleep, not late."""
    agent = Sleeper(printer_mib())

    def twice(data: bytes, source: Peer, raw: RawAgent) -> None:
        answer = agent.answer(data)
        if answer is not None:
            raw.send(answer, source)
            raw.send(answer, source)

    async with a_meter() as meter, raw_agent(twice) as raw:
        agent.awake = False
        assert failure(await meter.read(raw.target(), 0.3)).reason is SilenceReason.TIMEOUT
        agent.awake = True
        assert total(await meter.read(raw.target(), 2.0)) == 764
        await asyncio.sleep(0.05)
        assert meter.stats.refused[DatagramRefusal.LATE] >= 1
        agent.awake = False
        assert failure(await meter.read(raw.target(), 0.3)).reason is SilenceReason.ASLEEP


class Narrow(MibAgent):
    """Its answers get lost where they are longer than ``largest_bytes``."""

    largest_bytes = 100_000

    def answer(self, data: bytes) -> bytes | None:
        answer = super().answer(data)
        return answer if answer is None or len(answer) <= self.largest_bytes else None


async def test_a_printer_that_answers_only_the_smallest_questions_is_read_and_told_so() -> None:
    agent, notes = Narrow(printer_mib()), []
    agent.largest_bytes = 90
    hooks = MeterHooks(on_note=lambda printer, text: notes.append((printer, text)))
    async with a_meter(hooks) as meter, mib_agent(agent) as raw:
        assert total(await meter.read(raw.target(), 2.0)) == 764
        ((printer, text),) = notes
        assert printer == "p1"
        assert "larger answers get lost" in text
        assert "drops fragments" in text


async def test_a_printer_that_loses_large_answers_is_read_within_the_first_read() -> None:
    """It took a read for each halving: 24 names, 12, 6, 4."""
    agent = Narrow(printer_mib())
    agent.largest_bytes = 130
    async with a_meter() as meter, mib_agent(agent) as raw:
        assert total(await meter.read(raw.target(), 4.0)) == 764
        for _ in range(3):
            assert total(await meter.read(raw.target(), 4.0)) == 764
        # It is remembered: nothing is lost any more, and nobody is greeted first.
        sizes = []
        for _ in range(2):
            begun = len(agent.requests)
            assert total(await meter.read(raw.target(), 0.5)) == 764
            sizes.append([len(request.names) for request in agent.requests[begun:]])
        assert sizes[0] == sizes[1]
        assert len(sizes[0]) <= 4
        assert min(sizes[0][:-1]) >= 3


async def test_a_printer_that_begins_to_lose_large_answers_costs_one_reading() -> None:
    """Nothing else was asked any more, so that nothing was learnt: it stayed silent for good."""
    agent = Narrow(printer_mib())
    async with a_meter() as meter, mib_agent(agent) as raw:
        assert total(await meter.read(raw.target(), 4.0)) == 764
        agent.largest_bytes = 130
        assert failure(await meter.read(raw.target(), 1.0)).reason is SilenceReason.ASLEEP
        for _ in range(3):
            assert total(await meter.read(raw.target(), 4.0)) == 764


def test_the_same_address_on_another_link_is_another_device() -> None:
    asked, elsewhere = ("fe80::1", 161, 2), ("fe80::1", 161, 3)
    for leave in (STRICT, Leave(any_port=True)):
        question = a_question(asked, leave)
        assert question.takes_from(asked)
        assert not question.takes_from(elsewhere)
    assert a_question(asked, Leave(any_port=True)).takes_from(("fe80::1", 4711, 2))


def a_question(key: Key, leave: Leave) -> Question:
    lane, done = cast("Lane", None), cast("asyncio.Future[SnmpAnswer | Unanswered]", None)
    request = template("2c", "public", GET, [b"\x2b\x06"])
    return Question(
        AgentAddress(10, (*key[:2], 0, key[2]), key), lane, request, 0, RequestPatience(), 0, done, leave=leave
    )


@pytest.mark.parametrize(
    ("host", "allowed", "kind"),
    [
        ("127.0.0.1", {"any_port": True}, DatagramRefusal.WRONG_PORT),
        ("127.0.0.2", {"answers_from": "127.0.0.2", "any_port": True}, DatagramRefusal.WRONG_ADDRESS),
    ],
)
async def test_answers_from_elsewhere_are_refused_and_can_be_allowed(
    host: str, allowed: dict[str, str], kind: DatagramRefusal
) -> None:
    # firewalld/firewalld#996, TritonDataCenter/node-snmpjs#9, net-snmp/net-snmp#996: the answer comes from another
    # address; the answer comes from another port; a second address never answers
    agent = MibAgent(printer_mib())
    async with raw_agent(lambda *_: None, host) as other:

        def elsewhere(data: bytes, source: Peer, _: RawAgent) -> None:
            answer = agent.answer(data)
            if answer is not None:
                other.send(answer, source)

        async with a_meter() as meter, raw_agent(elsewhere) as raw:
            refused = failure(await meter.read(raw.target(), 0.3))
            assert refused.responder == f"{host}:{other.port}"
            assert "answers_from, any_port" in refused.detail
            assert meter.stats.refused[kind] >= 1
            assert total(await meter.read(raw.target(**allowed), 2.0)) == 764


async def test_an_allowed_host_must_still_answer_from_the_port_that_was_asked() -> None:
    agent = MibAgent(printer_mib())
    async with raw_agent(lambda *_: None, "127.0.0.2") as other:

        def elsewhere(data: bytes, source: Peer, _: RawAgent) -> None:
            answer = agent.answer(data)
            if answer is not None:
                other.send(answer, source)

        async with a_meter() as meter, raw_agent(elsewhere) as raw:
            refused = failure(await meter.read(raw.target(answers_from="127.0.0.2"), 0.3))
            assert refused.reason is SilenceReason.TIMEOUT
            assert refused.responder == f"127.0.0.2:{other.port}"
