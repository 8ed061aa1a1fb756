"""Silence has kinds, and the operator sees which (FIELD-CASES, rule 7)."""

from __future__ import annotations

import asyncio

import pytest

from pagereeve.domain.reading import SilenceReason
from pagereeve.meters.stats import Refusal
from tests.integration.meter import a_meter, failure, total
from tests.snmp_agents import MibAgent, Peer, RawAgent, mib_agent, printer_mib, raw_agent


class Sleeper(MibAgent):
    """Answers while awake."""

    awake = True

    def answer(self, data: bytes) -> bytes | None:
        return super().answer(data) if self.awake else None


async def test_a_printer_that_answered_and_stopped_is_asleep_not_refused() -> None:
    # FIELD-CASES 1.37 (bieniu/brother#119), 1.40 (home-assistant/core#128067)
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
        assert "answered 0 s ago" in asleep.detail


async def test_answers_that_come_too_late_are_told_from_none() -> None:
    # FIELD-CASES 4.12: weltmeyer/ha_snmp_stats#10
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
        assert "0.4 s after the request; lengthen watch.read_timeout" in late.detail
        assert late.responder == f"127.0.0.1:{raw.port}"
        # Given the time, it is read; and that it took long is counted.
        await asyncio.sleep(0.5)
        assert total(await meter.read(raw.target(), 5.0)) == 764
        assert meter.stats.oddities()["slow-read"] == 0
        assert total(await meter.read(raw.target(), 0.7)) == 764
        assert meter.stats.oddities()["slow-read"] == 1


@pytest.mark.parametrize(
    ("host", "allowed", "kind"),
    [
        ("127.0.0.1", {"any_port": True}, Refusal.WRONG_PORT),
        ("127.0.0.2", {"answers_from": "127.0.0.2", "any_port": True}, Refusal.WRONG_ADDRESS),
    ],
)
async def test_answers_from_elsewhere_are_refused_and_can_be_allowed(
    host: str, allowed: dict[str, str], kind: Refusal
) -> None:
    # FIELD-CASES 4.4, 4.6, 4.10
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
