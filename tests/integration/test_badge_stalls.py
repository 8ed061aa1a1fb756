"""Thousands of badge facts at once: whatever the badge checks have to do with them, the loop goes on beside it."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import time
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.badges.projector import BadgeProjector
from pagereeve.domain.facts.facts import BadgePresented, Origin
from pagereeve.domain.facts.site_in_force import SiteRules
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.badges.watcher import BadgeWatcher
from pagereeve.store.sqlite.journal import SqlJournal

pytestmark = pytest.mark.alone

BADGES = 10_000
SEAL_EVERY = 2_000
TOGETHER = 500
RATIO_LEAST = 4.0
TICK_S = 0.001


def badges(begin_us: int) -> list[BadgePresented]:
    """Over four hours, so that most of them are sealed; one in eight is unknown to the release server."""
    facts = []
    for nth in range(BADGES):
        at_us = begin_us + nth * 4 * 3_600 * SECOND_US // BADGES
        origin = Origin("urn:invented:feed", f"badge-{nth}", at_us, at_us + 1_000, at_us)
        outcome = "accepted" if nth % 8 else "unknown"
        facts.append(BadgePresented("", origin, f"b-{nth % 900}", f"gate-{nth % 40}", "", outcome))  # type: ignore[arg-type]
    return facts


@pytest.fixture
async def journal(tmp_path: Path) -> AsyncIterator[SqlJournal]:
    opened = await SqlJournal.open(tmp_path / "journal.db", SystemClock())
    yield opened
    await opened.close()


@pytest.fixture(autouse=True)
def _no_collection() -> Iterator[None]:
    """As in the daemon, which looks for unused memory when nobody waits (engine/supervision/garbage.py)."""
    gc.disable()
    yield
    gc.enable()


class Stalls:
    """``longest_s``: so much of the processor's time the loop's thread spent before it came round."""

    def __init__(self) -> None:
        self.longest_s = 0.0
        self._task = asyncio.create_task(self._watch())

    async def _watch(self) -> None:
        while True:
            began_s = time.thread_time()
            await asyncio.sleep(TICK_S)
            self.longest_s = max(self.longest_s, time.thread_time() - began_s)

    async def end(self) -> None:
        self._task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self._task


async def settled(watcher: BadgeWatcher) -> None:
    async with asyncio.timeout(60):
        while not (watcher.projector and not (watcher.updater.dirty or watcher.projector.waits or watcher._heard)):  # noqa: ASYNC110 - it has no event
            await asyncio.sleep(0.01)


def in_one_go_s(facts: list[BadgePresented]) -> float:
    projector = BadgeProjector(SiteRules(), seal_every=SEAL_EVERY)
    began_s = time.thread_time()
    for fact in facts:
        projector.add(fact)
    projector.advance()
    return time.thread_time() - began_s


async def stalls_of(journal: SqlJournal, facts: list[BadgePresented]) -> float:
    """The longest one while a watcher takes them all at once, and then while it reads them from the journal."""
    watcher = BadgeWatcher(journal, SystemClock(), settle_every_s=0.05, seal_every=SEAL_EVERY)
    stalls = Stalls()
    running = asyncio.create_task(watcher.run())
    await settled(watcher)
    for nth, fact in enumerate(facts):
        watcher.accept(fact)
        if nth % 50 == 0:
            await asyncio.sleep(0)
    await settled(watcher)
    watcher.begin_again(0)
    await asyncio.sleep(0.1)
    await settled(watcher)
    running.cancel()
    await asyncio.wait({running})
    await stalls.end()
    return stalls.longest_s


async def test_the_loop_goes_on_while_thousands_of_badges_are_checked(journal: SqlJournal) -> None:
    facts = badges(SystemClock().now_us() - 5 * 3_600 * SECOND_US)
    for start in range(0, BADGES, TOGETHER):
        await journal.append_together(facts[start : start + TOGETHER])
    longest_s, whole_s = await stalls_of(journal, facts), in_one_go_s(facts)
    assert longest_s * RATIO_LEAST <= whole_s, (longest_s, whole_s)
    assert len(await journal.findings(only_open=True)) == sum(fact.outcome == "unknown" for fact in facts)
