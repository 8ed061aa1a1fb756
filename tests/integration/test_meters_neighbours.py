"""What befalls one printer's path costs no other one reading: refused, switched off, dying, a full send buffer."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import time
from collections.abc import AsyncIterator, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import replace

import pytest

from pagereeve.domain.facts.reading import Reading, SilenceReason
from pagereeve.meters.reader import SnmpMeter
from pagereeve.meters.snmp import lane
from pagereeve.ports.meter import MeterTarget
from tests.integration.meter import a_meter, failure, reading
from tests.integration.subnet import Subnet
from tests.snmp_agents import MibAgent, RawAgent, mib_agent, printer_mib

pytestmark = pytest.mark.alone

READ_S = 2.0
# A lost or unread answer is asked for again after a second: what takes less was read at once.
NO_RETRY_S = 0.9
# Below the ports that the kernel hands out, so that nobody else gets it when the agent has left (ip_local_port_range).
DYING_PORTS = range(21_000, 21_200)
HEALTHY = 3


async def keep_reading(meter: SnmpMeter, target: MeterTarget, until: asyncio.Event) -> int:
    """Read every 20 ms until told to stop; every one must be a reading. How many they were."""
    count = 0
    while not until.is_set():
        begun = time.monotonic()
        reading(await meter.read(target, READ_S))
        assert time.monotonic() - begun < NO_RETRY_S
        count += 1
        await asyncio.sleep(0.02)
    return count


async def keep_asking(
    meter: SnmpMeter, target: MeterTarget, until: asyncio.Event, timeout_s: float
) -> list[SilenceReason]:
    reasons: list[SilenceReason] = []
    while not until.is_set():
        reasons.append(failure(await meter.read(target, timeout_s)).reason)
        await asyncio.sleep(0.02)
    return reasons


def a_free_port() -> int:
    for port in DYING_PORTS:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as trial, contextlib.suppress(OSError):
            trial.bind(("127.0.0.1", port))
            return port
    raise AssertionError(f"no port of {DYING_PORTS} is free")


@asynccontextmanager
async def agents(hosts: Sequence[str]) -> AsyncIterator[list[RawAgent]]:
    async with AsyncExitStack() as stack:
        yield [await stack.enter_async_context(mib_agent(MibAgent(printer_mib()), host)) for host in hosts]


async def read_beside(
    meter: SnmpMeter, healthy: Sequence[MeterTarget], bad: Sequence[MeterTarget], *, for_s: float, timeout_s: float
) -> tuple[list[int], set[SilenceReason]]:
    """Reads of each healthy printer, and why the others could not be read."""
    for target in healthy:
        reading(await meter.read(target, READ_S))
    stop = asyncio.Event()
    asking = [asyncio.create_task(keep_asking(meter, target, stop, timeout_s)) for target in bad]
    reads = [asyncio.create_task(keep_reading(meter, target, stop)) for target in healthy]
    await asyncio.wait(reads, timeout=for_s)
    assert not any(task.done() for task in reads), [task.exception() for task in reads if task.done()]
    stop.set()
    counts = await asyncio.gather(*reads)
    reasons = {reason for found in await asyncio.gather(*asking) for reason in found}
    assert min(counts) > for_s / 0.1
    assert meter.stats.stalls == 0
    return counts, reasons


async def test_refused_printers_beside_healthy_ones() -> None:
    async with a_meter() as meter, agents(["127.0.0.1"] * HEALTHY) as healthy:
        async with agents(["127.0.0.1"] * 5) as gone:
            closed = [agent.target(f"closed-{nth}") for nth, agent in enumerate(gone)]
        targets = [agent.target(f"good-{nth}") for nth, agent in enumerate(healthy)]
        _, reasons = await read_beside(meter, targets, closed, for_s=2.0, timeout_s=0.2)
        assert reasons == {SilenceReason.REFUSED}
        assert meter.stats.icmp > 5


async def test_a_printer_that_dies_while_three_are_read() -> None:
    async with a_meter() as meter, agents(["127.0.0.1"] * HEALTHY) as healthy:
        stop = asyncio.Event()
        targets = [agent.target(f"good-{nth}") for nth, agent in enumerate(healthy)]
        reads = [asyncio.create_task(keep_reading(meter, target, stop)) for target in targets]
        for turn in range(5):
            async with mib_agent(MibAgent(printer_mib()), "127.0.0.1", a_free_port()) as dying:
                target = dying.target(f"dying-{turn}")
                reading(await meter.read(target, READ_S))
            # The agent's socket is closed in the loop's next turn.
            await asyncio.sleep(0.05)
            for _ in range(10):
                assert failure(await meter.read(target, READ_S)).reason is SilenceReason.REFUSED
                await asyncio.sleep(0.01)
        stop.set()
        assert min(await asyncio.gather(*reads)) > 5
        assert meter.stats.icmp >= 50
        assert meter.stats.stalls == 0


async def test_printers_that_are_off_beside_healthy_ones() -> None:
    # No route to host: the kernel says so when nobody has answered for the address for three seconds (arp(7)).
    with Subnet() as subnet:
        with subnet.printer_side():
            entered = agents(subnet.printers[:HEALTHY])
            healthy = await entered.__aenter__()
        with subnet.daemon_side():
            async with a_meter() as meter:
                targets = [agent.target(f"good-{nth}") for nth, agent in enumerate(healthy)]
                off = [replace(targets[0], printer=f"off-{nth}", host=host) for nth, host in enumerate(subnet.off(20))]
                _, reasons = await read_beside(meter, targets, off, for_s=5.0, timeout_s=4.0)
                assert SilenceReason.UNREACHABLE in reasons
                assert meter.stats.icmp > 0
        await entered.__aexit__(None, None, None)


async def test_printers_that_are_off_do_not_fill_the_send_buffer_of_all(monkeypatch: pytest.MonkeyPatch) -> None:
    # What waits for a hardware address counts against the sending socket. With a buffer for some 170 datagrams and 200
    # printers that are off, the healthy ones' requests wait for room, and are sent within their time.
    monkeypatch.setattr(lane, "SEND_BUFFER_BYTES", 65_536)
    with Subnet() as subnet:
        with subnet.printer_side():
            entered = agents(subnet.printers[:HEALTHY])
            healthy = await entered.__aenter__()
        with subnet.daemon_side():
            async with a_meter() as meter:
                targets = [agent.target(f"good-{nth}") for nth, agent in enumerate(healthy)]
                off = [replace(targets[0], printer=f"off-{nth}", host=host) for nth, host in enumerate(subnet.off(200))]
                reads = [asyncio.create_task(meter.read(target, 6.0)) for target in off]
                await asyncio.sleep(0.1)
                results = await asyncio.gather(*(meter.read(target, 6.0) for target in targets))
                assert all(isinstance(result, Reading) for result in results), (results, meter.stats)
                assert meter.stats.unsent > 0
                await asyncio.gather(*reads)
        await entered.__aexit__(None, None, None)


async def test_a_socket_that_the_loop_no_longer_watches_is_noticed_healed_and_counted(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Whatever made the loop forget it: answers that lie unread are read once overdue, and then it is watched."""
    lanes: list[lane.Lane] = []
    opened = lane.Lane.__init__

    def remembered(self: lane.Lane, *args: object, **more: object) -> None:
        opened(self, *args, **more)  # type: ignore[arg-type]
        lanes.append(self)

    monkeypatch.setattr(lane.Lane, "__init__", remembered)
    async with a_meter() as meter, agents(["127.0.0.1"] * 2) as (one, other):
        reading(await meter.read(one.target("one"), 5.0))
        loop = asyncio.get_running_loop()
        loop.remove_reader(lanes[0]._watched)
        for _ in range(3):
            reading(await meter.read(one.target("one"), 5.0))
            reading(await meter.read(other.target("other"), 5.0))
        assert meter.stats.stalls == 1
        retries = meter.stats.retries
        for _ in range(10):
            reading(await meter.read(one.target("one"), 5.0))
        assert meter.stats.retries == retries
        assert meter.stats.oddities()["stall"] == 1
