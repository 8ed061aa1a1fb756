"""A simulated printer behind a simulated gateway, and the proof of it, quick enough for a test."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from typing import Any

from pagereeve.app.clocks import SystemClock
from pagereeve.ports.meter import MeterTarget
from pagereeve.proof.course import prove
from pagereeve.proof.plan import Patience, Plan
from pagereeve.proof.results import Proof, Stage
from pagereeve.simulator.printer.model import PrinterSpec
from pagereeve.simulator.printer.print_engine import PrintEngine
from pagereeve.simulator.printer.print_port import PrintPort
from pagereeve.simulator.site.gateway import Gateway
from pagereeve.simulator.snmp.agent import PrinterAgent
from tests.integration.meter import a_meter

COMMUNITY = "proof-read"
QUICK = Patience(connect_s=0.5, read_s=0.5, inspect_s=0.8, quiet_s=0.2, poll_s=0.03, rest_s=0.3, job_s=2.5)
# A sheet every 20 ms, and hardly any warming up.
SPEC = PrinterSpec("north-1", serial="SIM-4711", impressions_per_minute=3000, warm_up_us=50_000, first_sheet_us=50_000)


class OldAgent(PrinterAgent):
    """Ignores every version but v1."""

    def datagram_received(self, data: bytes, addr: tuple[str | Any, int]) -> None:
        if b"\x02\x01\x00" in data[:8]:
            super().datagram_received(data, addr)


@dataclass
class Installation:
    engine: PrintEngine
    agent: PrinterAgent
    gateway: Gateway
    plan: Plan

    async def prove(self, **changes: Any) -> Proof:
        async with a_meter() as meter:
            return await prove(replace(self.plan, **changes), meter, SystemClock())

    async def prove_as(self, **members: Any) -> Proof:
        """With another target."""
        return await self.prove(target=replace(self.plan.target, **members))


@asynccontextmanager
async def an_installation(agent_kind: type[PrinterAgent] = PrinterAgent, **spec: Any) -> AsyncIterator[Installation]:
    clock = SystemClock()
    engine = PrintEngine(replace(SPEC, **spec), seed=3, at_us=clock.now_us())
    agent = agent_kind(engine, clock, community=COMMUNITY)
    port, gateway = PrintPort(engine, clock), Gateway("north-gw", clock, community=COMMUNITY)
    await agent.start()
    await port.start()
    await gateway.start()
    forward = await gateway.forward("north-1", port.address, agent.address)
    host, snmp_port = forward.snmp_relay.address
    plan = Plan(
        target=MeterTarget("north-1", host, snmp_port, community=COMMUNITY),
        print_port=forward.print_relay.address[1],
        patience=QUICK,
    )
    try:
        yield Installation(engine, agent, gateway, plan)
    finally:
        await gateway.stop()
        await port.stop()
        await agent.stop()


def stage_of(proof: Proof, name: str) -> Stage:
    return next(stage for stage in proof.stages if stage.name == name)


def outcomes(proof: Proof) -> dict[str, str]:
    return {stage.name: stage.outcome for stage in proof.stages}
