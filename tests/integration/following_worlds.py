"""Engines of two workers on one PostgreSQL: each with an intake and a follower, and printers of its own to watch."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass
from typing import cast

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.following import FactFollower
from pagereeve.engine.printers.polling import PollPolicy
from pagereeve.store.memory.journal import MemoryJournal
from pagereeve.store.postgres.address import Address
from pagereeve.store.postgres.journal import PostgresJournal
from tests.unit.engine.world import FakePrinter, World

HASTY = PollPolicy(first_s=0.1, longest_s=0.5, baseline_s=2.0, timeout_s=1.0)
POLICY = Policy(settle_us=SECOND_US, unmoved_us=2 * SECOND_US, floor_us=50_000, speed_per_minute=6_000)


@dataclass
class Worker:
    world: World
    journal: PostgresJournal
    follower: FactFollower


@asynccontextmanager
async def worker(
    address: Address,
    printers: dict[str, FakePrinter],
    watches: Callable[[str], bool],
    gateways: Mapping[str, str],
    *,
    listens: bool = True,
    badges: bool = True,
) -> AsyncIterator[Worker]:
    """``badges``: it has the findings of badges up to date."""
    clock = SystemClock()
    async with AsyncExitStack() as held:
        journal = await PostgresJournal.open(address, clock, SystemEntropy())
        held.push_async_callback(journal.close)
        following = journal.following(listens=listens)
        held.push_async_callback(following.close)
        world = World(
            printers,
            dict(gateways),
            POLICY,
            HASTY,
            cast("MemoryJournal", journal),
            clock=clock,
            watches=watches,
        )
        await held.enter_async_context(world)
        held.push_async_callback(world.badge_watcher.finish)
        held.push_async_callback(world.registry.stop)
        if badges:
            world.supervisor.start("badges", "badges", world.badge_watcher.run, forever=True)
        follower = FactFollower(following, journal, clock, world.intake, world.registry, world.badge_watcher)
        world.supervisor.start("following", "following", follower.run, heartbeat=follower.heartbeat, forever=True)
        yield Worker(world, journal, follower)
        assert world.troubles == []
