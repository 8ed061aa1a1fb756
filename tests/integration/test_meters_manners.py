"""The reader's manners: one request at a time, one deadline, moved ports, names, secrets, hooks."""

from __future__ import annotations

import asyncio
import time
from contextlib import AsyncExitStack
from dataclasses import replace

from pagereeve.domain.facts.reading import Reading, SilenceReason
from pagereeve.meters.reader import TIMEOUTS_BEFORE_MOVE, SnmpMeter
from pagereeve.meters.snmp.address import AgentAddress
from pagereeve.meters.snmp.ber import TIME_TICKS
from pagereeve.meters.snmp.stats import MeterHooks
from pagereeve.ports.meter import MeterTarget
from tests.integration.meter import a_meter, failure, reading, total
from tests.snmp_agents import (
    LIFE,
    ROUTER_OBJECT_ID,
    SYS_OBJECT,
    UP_TIME,
    MachineClock,
    MibAgent,
    Peer,
    RawAgent,
    counter,
    mib_agent,
    name,
    printer_mib,
    raw_agent,
    router_mib,
    ticks,
)


async def test_never_two_requests_in_flight_to_one_printer_or_place() -> None:
    # apple/cups#2433, home-assistant/core#52834: polling upsets the printer
    agent = MibAgent(printer_mib())
    open_now = peak = 0
    loop = asyncio.get_running_loop()

    def handle(data: bytes, source: Peer, raw: RawAgent) -> None:
        nonlocal open_now, peak
        open_now += 1
        peak = max(peak, open_now)
        answer = agent.answer(data)
        assert answer is not None

        def finish() -> None:
            nonlocal open_now
            open_now -= 1
            raw.send(answer, source)

        loop.call_later(0.01, finish)

    async with a_meter() as meter, raw_agent(handle) as raw:
        same = [meter.read(raw.target(), 5.0) for _ in range(5)]
        alias = [meter.read(raw.target("p2"), 5.0) for _ in range(5)]
        results = await asyncio.gather(*same, *alias)
        assert [total(result) for result in results] == [764] * 10
        assert peak == 1


async def test_one_deadline_covers_waiting_discovery_and_all_tries() -> None:
    # Cacti/spine#108, home-assistant/core#152470: time-outs add up
    def silent(_data: bytes, _source: Peer, _raw: RawAgent) -> None:
        return

    async with a_meter() as meter, raw_agent(silent) as raw:
        begun = time.monotonic()
        results = await asyncio.gather(*(meter.read(raw.target(), 0.6) for _ in range(3)))
        assert 0.55 < time.monotonic() - begun < 0.9
        assert {failure(result).reason for result in results} == {SilenceReason.TIMEOUT}
        assert sum("earlier read" in failure(result).detail for result in results) == 2
        for result in results:
            assert 500_000 < failure(result).received_us - failure(result).sent_us < 900_000


async def test_a_printer_that_stays_silent_is_asked_from_another_port() -> None:
    # moby/moby#8795, #53384: an old UDP mapping is kept alive
    agent = MibAgent(printer_mib())
    stuck: set[int] = set()

    def handle(data: bytes, source: Peer, raw: RawAgent) -> None:
        # A translator whose old mapping swallows whatever comes from the first port.
        stuck.add(source[1]) if not stuck else None
        answer = agent.answer(data)
        if source[1] not in stuck and answer is not None:
            raw.send(answer, source)

    async with a_meter() as meter, raw_agent(handle) as raw:
        for _ in range(TIMEOUTS_BEFORE_MOVE):
            assert failure(await meter.read(raw.target(), 0.05)).reason is SilenceReason.TIMEOUT
        assert total(await meter.read(raw.target(), 1.0)) == 764
        assert meter.stats.port_moves == 1


async def test_a_printer_that_changes_its_port_changes_nobody_elses() -> None:
    """Every third failure gave all that had ever moved a new port."""

    def silent(_data: bytes, _source: Peer, _raw: RawAgent) -> None:
        return

    async with AsyncExitStack() as stack:
        meter = await stack.enter_async_context(a_meter())
        raws = [await stack.enter_async_context(mib_agent(MibAgent(printer_mib()))) for _ in range(20)]
        dead = await stack.enter_async_context(raw_agent(silent))
        targets = [replace(raw.target(), printer=f"p{nth}") for nth, raw in enumerate(raws)]
        for nth, target in enumerate(targets):
            await meter.read(target, 1.0)
            if nth % 2:
                # Half of them have left the common port before.
                meter._printers[target.printer].lane = meter.endpoint.another_lane(0)
        for _ in range(5 * TIMEOUTS_BEFORE_MOVE):
            await meter.read(replace(dead.target(), printer="dead"), 0.02)
            assert [total(await meter.read(target, 1.0)) for target in targets] == [764] * 20
        assert meter.stats.port_moves == 5
        assert len({source[1] for source in dead.sources}) == 5
        for nth, raw in enumerate(raws):
            assert len({source[1] for source in raw.sources}) == 1 + nth % 2


async def test_dead_printers_cost_the_good_ones_nothing() -> None:
    # In small: good reads take at most twice as long (500 beside 100 in contrib/bench/meter_fleet.py).
    def silent(_data: bytes, _source: Peer, _raw: RawAgent) -> None:
        return

    async def timed(meter: SnmpMeter, target: MeterTarget) -> float:
        begun = time.perf_counter()
        assert total(await meter.read(target, 1.0)) == 764
        return time.perf_counter() - begun

    async with a_meter() as meter, mib_agent(MibAgent(printer_mib())) as raw, raw_agent(silent) as dead:
        await meter.read(raw.target(), 1.0)
        alone = sorted([await timed(meter, raw.target()) for _ in range(200)])
        # Different loopback addresses are different printers behind the same silent socket's port.
        targets = [replace(dead.target(f"d{n}"), host=f"127.1.{n // 250}.{n % 250 + 1}") for n in range(500)]
        reads = [asyncio.create_task(meter.read(target, 1.5)) for target in targets]
        await asyncio.sleep(0.2)
        beside = sorted([await timed(meter, raw.target()) for _ in range(200)])
        assert beside[100] < 3 * alone[100] + 0.001
        results = await asyncio.gather(*reads)
        assert not any(isinstance(result, Reading) for result in results)


async def test_names_are_resolved_and_an_unknown_name_is_said_so() -> None:
    async with a_meter() as meter, mib_agent(MibAgent(printer_mib())) as raw:
        assert total(await meter.read(replace(raw.target(), host="localhost"), 2.0)) == 764
        assert meter.stats.lookups == 1
        # .invalid never resolves (RFC 2606 section 2).
        for host in ("printer.invalid", "", "a" * 300, "nul\0l"):
            refused = failure(await meter.read(replace(raw.target("p9"), host=host), 5.0))
            assert refused.reason is SilenceReason.NAME_NOT_FOUND
            assert refused.detail


async def test_a_community_never_shows() -> None:
    secret = "hush-hush-7d1f"
    async with a_meter() as meter, mib_agent(MibAgent(router_mib())) as raw:
        target = raw.target(community=secret)
        refused = failure(await meter.read(target, 1.0))
        assert secret not in repr(refused) + repr(target) + repr(meter.stats)


async def test_hooks_see_each_read_and_the_first_request_leaving() -> None:
    reads: list[tuple[str, str, float]] = []
    sent: list[tuple[str, int]] = []
    hooks = MeterHooks(
        on_read=lambda printer, result, duration_s: reads.append((printer, type(result).__name__, duration_s)),
        on_sent=lambda printer, at_us: sent.append((printer, at_us)),
    )
    async with a_meter(hooks) as meter, mib_agent(MibAgent(printer_mib())) as raw:
        before_us = MachineClock().monotonic_us()
        await meter.read(raw.target(), 1.0)
        await meter.read(raw.target(), 1.0)
        assert [printer for printer, _ in sent] == ["p1", "p1"]
        assert before_us <= sent[0][1] <= sent[1][1] <= MachineClock().monotonic_us()
        assert [(printer, kind) for printer, kind, _ in reads] == [("p1", "Reading")] * 2
        assert all(0 < duration_s < 1 for _, _, duration_s in reads)


async def test_a_printer_whose_target_changes_is_looked_at_anew() -> None:
    # home-assistant/core#94843: the address is no key
    async with (
        a_meter() as meter,
        mib_agent(MibAgent(printer_mib())) as first,
        mib_agent(MibAgent(printer_mib(count=765, device=2))) as second,
    ):
        assert total(await meter.read(first.target(), 1.0)) == 764
        assert total(await meter.read(second.target(), 1.0)) == 765
        meter.forget("p1")
        assert total(await meter.read(second.target(), 1.0)) == 765
        assert meter.stats.discoveries == 3


async def test_what_is_not_as_usual_is_judged_without_a_second_request() -> None:
    """A resting printer's read is one request; so is the read that finds it moved, restarted, or another one."""
    agent = MibAgent(printer_mib())
    async with a_meter() as meter, mib_agent(agent) as raw:

        async def read() -> tuple[object, int]:
            before = len(agent.requests)
            result = await meter.read(raw.target(), 2.0)
            return (total(result) if isinstance(result, Reading) else failure(result).reason), len(
                agent.requests
            ) - before

        await read()
        assert await read() == (764, 1)
        assert meter._printers[raw.target().printer].usual is not None
        assert await read() == (764, 1)
        agent.mib[f"{LIFE}.1.1"] = counter(770)
        assert await read() == (770, 1)
        assert await read() == (770, 1)
        agent.mib[UP_TIME] = (TIME_TICKS, b"")
        assert await read() == (770, 1)
        assert meter.stats.undecodable == 1
        agent.mib[UP_TIME] = ticks(5)
        assert await read() == (770, 1)
        agent.mib[SYS_OBJECT] = name(ROUTER_OBJECT_ID)
        assert (await read())[0] is SilenceReason.WRONG_DEVICE
        del agent.mib[f"{LIFE}.1.1"]
        assert (await read())[0] is not SilenceReason.TIMEOUT


async def test_a_usual_request_that_stays_unanswered_is_silence_as_any_other() -> None:
    agent = MibAgent(printer_mib())
    async with a_meter() as meter, mib_agent(agent) as raw:
        assert [total(await meter.read(raw.target(), 2.0)) for _ in range(3)] == [764] * 3
        agent.versions = ()
        assert failure(await meter.read(raw.target(), 0.5)).reason is SilenceReason.ASLEEP
        assert meter._printers[raw.target().printer].usual is None
        agent.versions = (0, 1)
        assert [total(await meter.read(raw.target(), 2.0)) for _ in range(2)] == [764] * 2
        assert meter._printers[raw.target().printer].usual is not None


async def test_a_reading_names_the_address_that_a_name_leads_to_now() -> None:
    """The counts are the same, and the printer has another address: what was seen at the old one was not seen here."""
    agent = MibAgent(printer_mib())
    async with a_meter() as meter, mib_agent(agent) as raw:
        target = replace(raw.target(), host="localhost")
        port = target.port
        for _ in range(2):
            before = reading(await meter.read(target, 2.0))
        async with mib_agent(agent, "127.0.0.2", port):
            known = meter._resolver._known["localhost", port]
            known.address = AgentAddress(known.address.family, ("127.0.0.2", port), ("127.0.0.2", port))
            for _ in range(2):
                after = reading(await meter.read(target, 2.0))
                assert after.sight.responder == f"127.0.0.2:{port}"
                assert after.sight.counts == before.sight.counts
        assert before.sight.responder == f"127.0.0.1:{port}"
