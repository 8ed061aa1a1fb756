"""The reader's small parts: deadlines, turns, addresses, pins."""

from __future__ import annotations

import asyncio
import socket
from dataclasses import dataclass

import pytest

from pagereeve.domain.facts.reading import Unit
from pagereeve.meters.discovery.channels import PinnedChannel, Term
from pagereeve.meters.discovery.objects import life_count, pins_of
from pagereeve.meters.snmp.address import NameNotFound, Resolver, key_label, numeric, source_key
from pagereeve.meters.snmp.ber import oid_label
from pagereeve.meters.snmp.deadlines import COMPACT_FROM, Deadlines
from pagereeve.meters.snmp.stats import MeterStats
from pagereeve.meters.snmp.turns import Turns
from tests.snmp_agents import MachineClock

CLOCK = MachineClock()


@dataclass(eq=False)
class Thing:
    name: str
    due_us: int = 0


async def test_deadlines_come_in_order_and_never_early() -> None:
    came: list[tuple[str, int]] = []
    deadlines = Deadlines[Thing](CLOCK, lambda thing: came.append((thing.name, CLOCK.monotonic_us())))
    start_us = CLOCK.monotonic_us()
    for name, after_ms in (("c", 30), ("a", 10), ("b", 20)):
        deadlines.put(Thing(name), start_us + after_ms * 1000)
    await asyncio.sleep(0.08)
    assert [name for name, _ in came] == ["a", "b", "c"]
    for (_, at_us), after_ms in zip(came, (10, 20, 30), strict=True):
        assert 0 <= at_us - start_us - after_ms * 1000 < 30_000
    assert len(deadlines) == 0


async def test_a_deadline_that_is_dropped_or_moved_does_not_come() -> None:
    came: list[str] = []
    deadlines = Deadlines[Thing](CLOCK, lambda thing: came.append(thing.name))
    dropped, moved = Thing("dropped"), Thing("moved")
    start_us = CLOCK.monotonic_us()
    deadlines.put(dropped, start_us + 10_000)
    deadlines.put(moved, start_us + 10_000)
    deadlines.put(moved, start_us + 60_000)
    deadlines.drop(dropped)
    deadlines.drop(dropped)
    await asyncio.sleep(0.03)
    assert came == []
    await asyncio.sleep(0.06)
    assert came == ["moved"]


async def test_void_deadlines_take_no_memory_for_long() -> None:
    deadlines = Deadlines[Thing](CLOCK, lambda _: None)
    far_us = CLOCK.monotonic_us() + 60_000_000
    keep = Thing("keep")
    deadlines.put(keep, far_us)
    for number in range(20_000):
        thing = Thing(str(number))
        deadlines.put(thing, far_us)
        deadlines.drop(thing)
    assert len(deadlines) < 3 * COMPACT_FROM
    assert keep.due_us == far_us
    deadlines.close()
    assert len(deadlines) == 0


async def test_a_turn_is_one_at_a_time_in_order_and_leaves_nothing() -> None:
    turns = Turns(CLOCK)
    order: list[str] = []

    async def take(name: str) -> None:
        await turns.enter("key", CLOCK.monotonic_us() + 5_000_000)
        order.append(f"+{name}")
        await asyncio.sleep(0.001)
        order.append(f"-{name}")
        turns.leave("key")

    await asyncio.gather(take("a"), take("b"), take("c"))
    assert order == ["+a", "-a", "+b", "-b", "+c", "-c"]
    assert len(turns) == 0


async def test_waiting_for_a_turn_ends_at_the_deadline() -> None:
    turns = Turns(CLOCK)
    await turns.enter("key", CLOCK.monotonic_us() + 1_000_000)
    with pytest.raises(TimeoutError):
        await turns.enter("key", CLOCK.monotonic_us() + 20_000)
    await turns.enter("another", CLOCK.monotonic_us() + 20_000)
    assert len(turns) == 2
    turns.leave("key")
    turns.leave("another")
    assert len(turns) == 0


async def test_a_turn_that_comes_to_a_cancelled_waiter_goes_to_the_next() -> None:
    turns = Turns(CLOCK)
    far_us = CLOCK.monotonic_us() + 5_000_000
    await turns.enter("key", far_us)
    waiters = [asyncio.create_task(turns.enter("key", far_us)) for _ in range(3)]
    await asyncio.sleep(0)
    # The first has its turn already but has not run since; the second is cancelled while it waits.
    turns.leave("key")
    waiters[0].cancel()
    waiters[1].cancel()
    results = await asyncio.wait_for(asyncio.gather(*waiters, return_exceptions=True), 1.0)
    assert [type(result) for result in results] == [asyncio.CancelledError, asyncio.CancelledError, type(None)]
    turns.leave("key")
    assert len(turns) == 0


@pytest.mark.parametrize(
    ("host", "family", "shown"),
    [
        ("192.0.2.7", socket.AF_INET, "192.0.2.7:161"),
        ("2001:DB8:0::7", socket.AF_INET6, "[2001:db8::7]:161"),
        # RFC 4291 section 2.5.5.2: an IPv4 address in IPv6's clothes
        ("::ffff:192.0.2.7", socket.AF_INET, "192.0.2.7:161"),
    ],
)
def test_numeric_addresses_have_one_form(host: str, family: int, shown: str) -> None:
    address = numeric(host, 161)
    assert address is not None
    assert (address.family, key_label(address.key)) == (family, shown)


@pytest.mark.parametrize("host", ["printer-7", "", "192.0.2", "192.0.2.256", "fe80::1%eth0", "nul\0l", "1.2.3.4 "])
def test_other_texts_are_no_numeric_addresses(host: str) -> None:
    assert numeric(host, 161) is None


def test_a_flow_label_is_no_part_of_a_peer() -> None:
    assert source_key(socket.AF_INET6, ("fe80::1%lo", 161, 77, 3)) == ("fe80::1", 161, 3)


async def test_a_name_is_looked_up_once_for_all_and_anew_when_forgotten_or_old() -> None:
    stats = MeterStats()
    resolver = Resolver(CLOCK, stats, ttl_s=0.05)
    found = await asyncio.gather(*(resolver.resolve("localhost", 161, 5.0) for _ in range(10)))
    assert len(set(found)) == 1
    assert stats.lookups == 1
    resolver.forget("localhost", 161)
    await resolver.resolve("localhost", 161, 5.0)
    await resolver.resolve("localhost", 161, 5.0)
    assert stats.lookups == 2
    await asyncio.sleep(0.06)
    await resolver.resolve("localhost", 161, 5.0)
    assert stats.lookups == 3
    await resolver.close()


async def test_a_name_service_that_hangs_costs_only_the_given_time(monkeypatch: pytest.MonkeyPatch) -> None:
    async def hang(*_: object, **__: object) -> None:
        await asyncio.sleep(60)

    resolver = Resolver(CLOCK, MeterStats())
    monkeypatch.setattr(asyncio.get_running_loop(), "getaddrinfo", hang)
    with pytest.raises(NameNotFound, match="name service took longer"):
        await resolver.resolve("printer.invalid", 161, 0.05)
    await resolver.close()


def test_an_instance_is_its_column_and_index() -> None:
    pins = pins_of(40, (40, 300), [life_count((40, 300))])
    assert pins.channels[0].objects == ("1.3.6.1.2.1.43.10.2.1.4.40.300",)
    assert oid_label(pins.serial) == "1.3.6.1.2.1.43.5.1.1.17.40"
    assert len(pins.names) == len(set(pins.names)) == 8


def test_a_makers_channel_needs_its_own_instances_only() -> None:
    standard = pins_of(1, (1, 1), [life_count((1, 1))])
    colour = PinnedChannel("colour", (Term(b"\x2b\x01"), Term(b"\x2b\x02")), Unit.IMPRESSIONS, source="a maker")
    more = pins_of(1, (1, 1), [*standard.channels, colour])
    assert [channel.name for channel in more.channels] == ["total", "colour"]
    assert len(more.names) == len(standard.names) + 2
    assert colour.counter == "a maker colour"
