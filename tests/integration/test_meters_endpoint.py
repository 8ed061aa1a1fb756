"""The shared endpoint against peers on loopback that answer late, twice, from elsewhere, brokenly or not at all."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest

from pagereeve.domain.facts.reading import SilenceReason
from pagereeve.meters.discovery.objects import MARKER_LIFE_COUNT, instance
from pagereeve.meters.snmp.address import AgentAddress, numeric
from pagereeve.meters.snmp.ber import number
from pagereeve.meters.snmp.endpoint import PRIVATE_LANES_MAX, Endpoint
from pagereeve.meters.snmp.message import GET, template
from pagereeve.meters.snmp.question import RequestPatience, SnmpAnswer, Unanswered
from pagereeve.meters.snmp.stats import DatagramRefusal, MeterStats
from tests.snmp_agents import (
    CountingEntropy,
    MachineClock,
    Peer,
    RawAgent,
    Request,
    SeededEntropy,
    counter,
    raw_agent,
)

LIFE = instance(MARKER_LIFE_COUNT, 1, 1)
ASKED = template("2c", "public", GET, [LIFE])
QUICK = RequestPatience(first_s=0.1, growth=2.0, tries_max=5)


@asynccontextmanager
async def an_endpoint(**more: int) -> AsyncIterator[Endpoint]:
    endpoint = Endpoint(MachineClock(), SeededEntropy(), MeterStats(), **more)
    try:
        yield endpoint
    finally:
        endpoint.close()


def where(agent: RawAgent) -> AgentAddress:
    address = numeric("127.0.0.1", agent.port)
    assert address is not None
    return address


async def ask(endpoint: Endpoint, agent: RawAgent, timeout_s: float = 1.0, *, lane: int = 0) -> SnmpAnswer | Unanswered:
    deadline_us = MachineClock().monotonic_us() + int(timeout_s * 1_000_000)
    return await endpoint.ask(where(agent), ASKED, deadline_us, QUICK, lane=lane)


def good(data: bytes, count: int = 764) -> bytes:
    return Request.of(data).response([(LIFE, *counter(count))])


def counted(result: SnmpAnswer | Unanswered) -> int:
    assert isinstance(result, SnmpAnswer)
    return number(result.response.varbinds[0])


def reply(data: bytes, source: Peer, agent: RawAgent) -> None:
    agent.send(good(data), source)


def silent(_data: bytes, _source: Peer, _agent: RawAgent) -> None:
    return


async def test_an_answer_is_an_interval_of_wall_time() -> None:
    async with an_endpoint() as endpoint, raw_agent(reply) as agent:
        before_us = MachineClock().now_us()
        result = await ask(endpoint, agent)
        after_us = MachineClock().now_us()
        assert counted(result) == 764
        assert isinstance(result, SnmpAnswer)
        assert before_us <= result.sent_us <= result.received_us <= after_us + 1000
        assert endpoint.in_flight == 0
        assert endpoint.stats.sent == 1


async def test_a_wall_clock_that_steps_back_does_not_turn_the_interval_round() -> None:
    class SteppingClock(MachineClock):
        wall_us = 1_000_000_000

        def now_us(self) -> int:
            self.wall_us -= 500_000
            return self.wall_us

    endpoint = Endpoint(SteppingClock(), SeededEntropy(), MeterStats())
    async with raw_agent(reply) as agent:
        result = await ask(endpoint, agent)
        endpoint.close()
        assert isinstance(result, SnmpAnswer)
        assert 0 <= result.received_us - result.sent_us < 500_000


async def test_a_late_answer_to_the_first_try_counts_with_the_first_trys_time() -> None:
    # net-snmp/net-snmp#194, calmh/node-snmp-native#24; times divided by ten.
    loop = asyncio.get_running_loop()
    counts = iter((500, 503))

    def slow(data: bytes, source: Peer, agent: RawAgent) -> None:
        loop.call_later(0.14, agent.send, good(data, next(counts)), source)

    endpoint = Endpoint(MachineClock(), CountingEntropy(), MeterStats())
    async with raw_agent(slow) as agent:
        result = await ask(endpoint, agent, 1.0)
        assert counted(result) == 500
        assert isinstance(result, SnmpAnswer)
        assert 130_000 <= result.received_us - result.sent_us <= 220_000
        assert endpoint.stats.retries == 1
        # The second answer comes after the question is closed: counted, nothing else.
        await asyncio.sleep(0.2)
        assert endpoint.stats.refused == {DatagramRefusal.LATE: 1}
        endpoint.close()


async def test_an_answer_to_the_second_try_counts_with_the_second_trys_time() -> None:
    def second_only(data: bytes, source: Peer, agent: RawAgent) -> None:
        if len(agent.received) == 2:
            agent.send(good(data), source)

    async with an_endpoint() as endpoint, raw_agent(second_only) as agent:
        result = await ask(endpoint, agent)
        assert isinstance(result, SnmpAnswer)
        assert result.received_us - result.sent_us < 90_000
        ids = {Request.of(data).request_id for data in agent.received}
        assert len(ids) == 2


async def test_the_second_of_two_equal_answers_is_ignored() -> None:
    # etingof/pysnmp#448: each retry has an id of its own
    def twice(data: bytes, source: Peer, agent: RawAgent) -> None:
        agent.send(good(data), source)
        agent.send(good(data, 999), source)

    async with an_endpoint() as endpoint, raw_agent(twice) as agent:
        assert counted(await ask(endpoint, agent)) == 764
        await asyncio.sleep(0.05)
        assert endpoint.stats.refused == {DatagramRefusal.LATE: 1}


async def test_silence_is_a_time_out_at_the_deadline_after_growing_waits() -> None:
    async with an_endpoint() as endpoint, raw_agent(silent) as agent:
        begun_us = MachineClock().monotonic_us()
        result = await ask(endpoint, agent, 0.5)
        took_s = (MachineClock().monotonic_us() - begun_us) / 1_000_000
        assert isinstance(result, Unanswered)
        assert result.reason is SilenceReason.TIMEOUT
        assert result.detail.startswith("no answer from ")
        assert 0.5 <= took_s < 0.7
        assert len(agent.received) == 3
        assert endpoint.in_flight == 0


async def test_an_answer_from_another_address_is_refused_and_told() -> None:
    # firewalld/firewalld#996; net-snmp/net-snmp#996: the answer comes from another address; a second address never
    # answers
    async with raw_agent(silent, "127.0.0.2") as other:

        def from_elsewhere(data: bytes, source: Peer, _agent: RawAgent) -> None:
            other.send(good(data), source)

        async with an_endpoint() as endpoint, raw_agent(from_elsewhere) as agent:
            result = await ask(endpoint, agent, 0.25)
            assert isinstance(result, Unanswered)
            assert result.reason is SilenceReason.TIMEOUT
            assert result.responder == f"127.0.0.2:{other.port}"
            assert result.responder in result.detail
            assert endpoint.stats.refused[DatagramRefusal.WRONG_ADDRESS] == 2
            assert endpoint.stats.refused_last[DatagramRefusal.WRONG_ADDRESS] == result.responder


async def test_an_answer_from_another_port_is_refused_and_told() -> None:
    # TritonDataCenter/node-snmpjs#9; hh-h/aiosnmp#27: the answer comes from another port
    async with raw_agent(silent) as other:

        def from_elsewhere(data: bytes, source: Peer, _agent: RawAgent) -> None:
            other.send(good(data), source)

        async with an_endpoint() as endpoint, raw_agent(from_elsewhere) as agent:
            result = await ask(endpoint, agent, 0.25)
            assert isinstance(result, Unanswered)
            assert result.responder == f"127.0.0.1:{other.port}"
            assert set(endpoint.stats.refused) == {DatagramRefusal.WRONG_PORT}


async def test_guessed_ids_are_refused_though_the_source_is_right() -> None:
    # pysnmp 7.1.30 takes them (measured): forged answers with guessed ids
    def guesser(data: bytes, source: Peer, agent: RawAgent) -> None:
        mine = int.from_bytes(Request.of(data).request_id, "big")
        for step in range(1, 50):
            forged = data.replace(mine.to_bytes(4, "big"), ((mine + step) % 2**31).to_bytes(4, "big"))
            agent.send(good(forged, 1), source)
        agent.send(good(data), source)

    async with an_endpoint() as endpoint, raw_agent(guesser) as agent:
        assert counted(await ask(endpoint, agent)) == 764
        assert endpoint.stats.refused == {DatagramRefusal.UNKNOWN_ID: 49}


async def test_an_answer_for_one_local_port_is_refused_at_another() -> None:
    ports: list[int] = []

    def cross(data: bytes, source: Peer, agent: RawAgent) -> None:
        ports.append(source[1])
        if len(ports) == 2:
            agent.send(good(data), ("127.0.0.1", ports[0]))

    async with an_endpoint() as endpoint, raw_agent(cross) as agent:
        await ask(endpoint, agent, 0.05)
        result = await ask(endpoint, agent, 0.08, lane=1)
        assert isinstance(result, Unanswered)
        assert ports[0] != ports[1]
        assert endpoint.stats.refused == {DatagramRefusal.UNKNOWN_ID: 1}
        assert len(endpoint.local_ports) == 2


async def test_a_good_answer_after_a_broken_one_is_taken() -> None:
    def broken_first(data: bytes, source: Peer, agent: RawAgent) -> None:
        agent.send(b"\x30\x05garba", source)
        agent.send(good(data)[:-1], source)
        agent.send(good(data), source)

    async with an_endpoint() as endpoint, raw_agent(broken_first) as agent:
        assert counted(await ask(endpoint, agent)) == 764
        assert endpoint.stats.undecodable == 2


async def test_only_broken_answers_are_malformed_and_not_a_time_out() -> None:
    # etingof/pysnmp#190: never shown as "printer did not answer"
    def broken(data: bytes, source: Peer, agent: RawAgent) -> None:
        agent.send(good(data)[:-1], source)

    async with an_endpoint() as endpoint, raw_agent(broken) as agent:
        result = await ask(endpoint, agent, 0.2)
        assert isinstance(result, Unanswered)
        assert result.reason is SilenceReason.MALFORMED
        assert "reaches past the end" in result.detail


async def test_a_datagram_of_the_largest_size_is_counted_and_stops_nothing() -> None:
    def huge_first(data: bytes, source: Peer, agent: RawAgent) -> None:
        agent.send(bytes(65_507), source)
        agent.send(good(data), source)

    async with an_endpoint() as endpoint, raw_agent(huge_first) as agent:
        assert counted(await ask(endpoint, agent)) == 764
        assert endpoint.stats.undecodable == 1


async def test_noise_from_strangers_is_counted_with_its_last_source() -> None:
    async with an_endpoint() as endpoint, raw_agent(reply) as agent, raw_agent(silent) as stranger:
        await ask(endpoint, agent)
        at = ("127.0.0.1", endpoint.local_ports[0])
        for noise in (b"\x04", b"\x30", b"hello", bytes(9_000)):
            stranger.send(noise, at)
        await asyncio.sleep(0.05)
        assert endpoint.stats.refused == {DatagramRefusal.UNREADABLE: 3, DatagramRefusal.TOO_LARGE: 1}
        assert endpoint.stats.refused_last[DatagramRefusal.TOO_LARGE] == f"127.0.0.1:{stranger.port}"
        assert counted(await ask(endpoint, agent)) == 764


async def test_a_closed_port_is_refused_at_once() -> None:
    async with raw_agent(silent) as agent:
        closed = where(agent)
    async with an_endpoint() as endpoint:
        begun_us = MachineClock().monotonic_us()
        result = await endpoint.ask(closed, ASKED, begun_us + 2_000_000, QUICK)
        assert isinstance(result, Unanswered)
        assert result.reason is SilenceReason.REFUSED
        assert MachineClock().monotonic_us() - begun_us < 500_000
        assert endpoint.stats.icmp == 1


@pytest.mark.parametrize("host", ["127.0.0.1", "::1"])
async def test_a_socket_is_read_on_after_an_icmp_error(host: str) -> None:
    # libuv stops watching a descriptor on which it sees POLLERR (libuv/libuv, src/unix/poll.c, uv__poll_io).
    async with raw_agent(silent, host) as agent:
        closed = numeric(host, agent.port)
    async with an_endpoint() as endpoint, raw_agent(reply, host) as agent:
        good_one = numeric(host, agent.port)
        assert closed is not None
        assert good_one is not None
        for _ in range(5):
            deadline_us = MachineClock().monotonic_us() + 2_000_000
            refused = await endpoint.ask(closed, ASKED, deadline_us, QUICK)
            assert isinstance(refused, Unanswered)
            assert refused.reason is SilenceReason.REFUSED
            assert counted(await endpoint.ask(good_one, ASKED, deadline_us, QUICK)) == 764
        assert endpoint.stats.icmp == 5
        assert endpoint.stats.retries == 0
        assert len(endpoint.local_ports) == 1


async def test_refused_printers_cost_the_others_nothing() -> None:
    closed: list[AgentAddress] = []
    for _ in range(20):
        async with raw_agent(silent) as agent:
            closed.append(where(agent))
    async with an_endpoint() as endpoint, raw_agent(reply) as agent:
        deadline_us = MachineClock().monotonic_us() + 2_000_000
        dead = [asyncio.create_task(endpoint.ask(address, ASKED, deadline_us, QUICK)) for address in closed]
        for _ in range(50):
            assert counted(await ask(endpoint, agent)) == 764
        results = await asyncio.gather(*dead)
        assert {result.reason for result in results if isinstance(result, Unanswered)} == {SilenceReason.REFUSED}
        assert endpoint.stats.retries == 0


async def test_an_address_without_a_route_is_unreachable() -> None:
    async with an_endpoint() as endpoint:
        # Linux lets nobody send to the limited broadcast address (RFC 919 section 7) without asking for it first.
        address = AgentAddress(socket.AF_INET, ("255.255.255.255", 161), ("255.255.255.255", 161))
        result = await endpoint.ask(address, ASKED, MachineClock().monotonic_us() + 300_000, QUICK)
        assert isinstance(result, Unanswered)
        assert result.reason is SilenceReason.UNREACHABLE
        assert endpoint.stats.unsent == 1


async def test_ipv6_has_a_socket_of_its_own_when_first_needed() -> None:
    async with an_endpoint() as endpoint, raw_agent(reply, "::1") as agent:
        assert endpoint.local_ports == ()
        address = numeric("::1", agent.port)
        assert address is not None
        result = await endpoint.ask(address, ASKED, MachineClock().monotonic_us() + 1_000_000, QUICK)
        assert counted(result) == 764
        assert len(endpoint.local_ports) == 1


async def test_a_burst_of_500_answers_loses_none() -> None:
    # At the kernel's default buffer 306 of 500 were lost (measured).
    asked: list[tuple[bytes, Peer]] = []

    def hold(data: bytes, source: Peer, agent: RawAgent) -> None:
        asked.append((data, source))
        if len(asked) == 500:
            for held, back in asked:
                agents[Request.of(held).community].send(good(held), back)

    agents: dict[bytes, RawAgent] = {}
    async with an_endpoint() as endpoint:
        opened = [raw_agent(hold) for _ in range(500)]
        try:
            deadline_us = MachineClock().monotonic_us() + 10_000_000
            patient = RequestPatience(first_s=10.0)
            tasks = []
            for number_, context in enumerate(opened):
                agent = await context.__aenter__()
                agents[str(number_).encode()] = agent
                request = template("2c", str(number_), GET, [LIFE])
                tasks.append(asyncio.create_task(endpoint.ask(where(agent), request, deadline_us, patient)))
            results = await asyncio.gather(*tasks)
        finally:
            for context in opened:
                await context.__aexit__(None, None, None)
        assert [counted(result) for result in results] == [764] * 500
        assert endpoint.stats.sent == 500
        assert endpoint.kernel_drops == 0


async def test_the_receive_buffer_is_read_back_and_the_kernels_drops_show() -> None:
    async with an_endpoint() as endpoint, raw_agent(reply) as agent:
        assert endpoint.receive_buffer_bytes == 0
        await ask(endpoint, agent)
        assert endpoint.receive_buffer_bytes >= 200_000
    async with an_endpoint(receive_buffer_bytes=4096) as small, raw_agent(reply) as agent:
        await ask(small, agent)
        at = ("127.0.0.1", small.local_ports[0])
        for _ in range(200):
            agent.send(bytes(1000), at)
        assert small.kernel_drops > 0


async def test_the_number_in_flight_is_bounded_and_waiting_counts_against_the_deadline() -> None:
    async with (
        an_endpoint(in_flight_max=2) as endpoint,
        raw_agent(silent) as first,
        raw_agent(silent) as second,
        raw_agent(reply) as third,
    ):
        held = [asyncio.create_task(ask(endpoint, agent, 0.4)) for agent in (first, second)]
        await asyncio.sleep(0)
        refused = await ask(endpoint, third, 0.1)
        assert isinstance(refused, Unanswered)
        assert "in flight" in refused.detail
        assert third.received == []
        assert counted(await ask(endpoint, third, 1.0)) == 764
        await asyncio.gather(*held)


async def test_a_cancelled_question_leaves_nothing_behind() -> None:
    async with an_endpoint() as endpoint, raw_agent(silent) as agent:
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.05):
                await ask(endpoint, agent, 5.0)
        assert endpoint.in_flight == 0
        sent = endpoint.stats.sent
        await asyncio.sleep(0.3)
        assert endpoint.stats.sent == sent


async def test_closing_ends_what_is_under_way_and_takes_nothing_new() -> None:
    endpoint = Endpoint(MachineClock(), SeededEntropy(), MeterStats())
    async with raw_agent(silent) as agent:
        task = asyncio.create_task(ask(endpoint, agent, 5.0))
        await asyncio.sleep(0.02)
        endpoint.close()
        ended = await task
        assert isinstance(ended, Unanswered)
        assert "closing" in ended.detail
        after = await ask(endpoint, agent, 5.0)
        assert isinstance(after, Unanswered)
        assert "closed" in after.detail


async def test_randomness_that_repeats_itself_is_an_error_and_not_an_endless_loop() -> None:
    class Stuck(SeededEntropy):
        def request_id(self) -> int:
            return 2**24

    endpoint = Endpoint(MachineClock(), Stuck(), MeterStats())
    async with raw_agent(silent) as first, raw_agent(silent) as second:
        task = asyncio.create_task(ask(endpoint, first, 0.05))
        await asyncio.sleep(0)
        with pytest.raises(RuntimeError, match="randomness is broken"):
            await ask(endpoint, second)
        assert isinstance(await task, Unanswered)
        endpoint.close()


async def test_another_lane_is_a_fresh_port_and_the_old_one_closes_once_unused() -> None:
    async with an_endpoint() as endpoint, raw_agent(silent) as agent, raw_agent(reply) as good_agent:
        first = endpoint.another_lane(0)
        slow = asyncio.create_task(ask(endpoint, agent, 0.3, lane=first))
        await asyncio.sleep(0)
        (old_port,) = endpoint.local_ports
        second = endpoint.another_lane(first)
        assert counted(await ask(endpoint, good_agent, lane=second)) == 764
        (new_port,) = endpoint.local_ports
        assert new_port != old_port
        assert isinstance(await slow, Unanswered)
        # The old port is free again: its socket is closed.
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            probe.bind(("127.0.0.1", old_port))


async def test_a_lane_is_one_printers_own_until_there_are_too_many() -> None:
    async with an_endpoint() as endpoint, raw_agent(reply) as agent:
        lanes = [endpoint.another_lane(0) for _ in range(PRIVATE_LANES_MAX)]
        assert len({0, *lanes}) == PRIVATE_LANES_MAX + 1
        for lane in lanes:
            await ask(endpoint, agent, lane=lane)
        ports = set(endpoint.local_ports)
        shared = endpoint.another_lane(0)
        assert shared in lanes
        # Whoever shares it leaves it to its owner.
        endpoint.leave_lane(shared)
        assert set(endpoint.local_ports) == ports
        moved = endpoint.another_lane(lanes[3])
        await ask(endpoint, agent, lane=moved)
        assert len(ports - set(endpoint.local_ports)) == 1
        for lane in [*lanes[:3], moved, *lanes[4:]]:
            endpoint.leave_lane(lane)
        assert endpoint.local_ports == ()
