"""The sender: in order, once each, through absences, lost answers, restarts and journals that were set back."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field
from typing import Any

import pytest

from pagereeve.domain.forwarding.batch import FACTS_MAX, Batch, read_batch
from pagereeve.domain.forwarding.refusal import BatchRefused
from pagereeve.engine.forwarding.sender import FACTS_LEAST, PAUSE_LONGEST_S, TELL_EVERY_S, ForwardingSender
from pagereeve.ports.forwarding import CentreAnswer, NotForwarded
from pagereeve.store.memory.journal import MemoryJournal
from tests.forwarding import KeepingCentre, salts
from tests.journal_samples import badge, read, started
from tests.unit.engine.virtual import SeededEntropy, VirtualClock, passing


@pytest.fixture(autouse=True)
def without_threads(monkeypatch: pytest.MonkeyPatch) -> None:
    """In virtual time nobody waits for a thread."""

    async def at_once(work: Callable[..., Any], *given: Any) -> Any:
        return work(*given)

    monkeypatch.setattr(asyncio, "to_thread", at_once)


@dataclass
class FakeCentre:
    """``away``: can't be reached; ``loses``: so many answers are lost after the commit; ``hangs``: never answers;
    ``thin_facts``: so many pass in time, more do not.
    """

    name: str = "centre"
    away: bool = False
    hangs: bool = False
    loses: int = 0
    thin_facts: int | None = None
    garbles: int = 0
    later_s: float = 0.0
    known: KeepingCentre = field(default_factory=KeepingCentre)
    batches: list[Batch] = field(default_factory=list)
    under_way: int = 0
    most_under_way: int = 0

    async def forward(self, batch: bytes) -> CentreAnswer:
        self.under_way += 1
        self.most_under_way = max(self.most_under_way, self.under_way)
        try:
            return await self._answer(batch)
        finally:
            self.under_way -= 1

    async def _answer(self, raw: bytes) -> CentreAnswer:
        await asyncio.sleep(0.1)
        if self.hangs:
            await asyncio.sleep(1e6)
        if self.away:
            raise NotForwarded("unreachable", "nobody listens")
        if self.later_s:
            raise NotForwarded("busy", "come again later", retry_after_s=self.later_s)
        if self.garbles:
            self.garbles -= 1
            raw = raw.replace(b'"total\\":', b'"totul\\":')
        batch = read_batch(raw)
        if self.thin_facts is not None and len(batch.facts) > self.thin_facts:
            raise NotForwarded("busy", "the body was late")
        self.batches.append(batch)
        try:
            self.known.join(batch)
        except BatchRefused as error:
            raise NotForwarded(error.cause, error.problem, error.has) from error
        if self.loses and batch.facts:
            self.loses -= 1
            raise NotForwarded("unreachable", "no answer came")
        kept = self.known.origins[batch.origin].facts
        return CentreAnswer(len(kept), kept[-1].sealed if kept else None)

    async def close(self) -> None: ...


@dataclass
class Site:
    """A journal, its sender, and the centre."""

    centre: FakeCentre = field(default_factory=FakeCentre)
    store: MemoryJournal = field(default_factory=lambda: MemoryJournal(salts=salts(1)))
    pressed: bool = False
    said: list[tuple[str, str, str]] = field(default_factory=list)
    task: asyncio.Task[None] | None = None

    def begin(self) -> None:
        self.sender = ForwardingSender(
            *(self.centre, "annex", self.store, VirtualClock(), SeededEntropy()),
            pressed=lambda: self.pressed,
            report=lambda *told: self.said.append(told),
        )
        self.task = asyncio.create_task(self.sender.run())

    async def die(self) -> None:
        assert self.task is not None
        self.task.cancel()
        await asyncio.gather(self.task, return_exceptions=True)

    async def fill(self, count: int, first: int = 0) -> None:
        for number in range(first, first + count):
            printer = ("rs", "library", "")[number % 3]
            known = read(number + 1, printer) if number % 2 and printer else badge(f"b-{number}", printer)
            await self.store.append(started(f"r-{number}", printer) if number % 5 == 4 and printer else known)

    @property
    def held(self) -> int:
        return sum(len(kept.facts) for kept in self.centre.known.origins.values())

    async def sealed(self) -> list[Any]:
        return list(await self.store.sealed_bodies(0, 10**6))


def story(script: Callable[[Site], Coroutine[Any, Any, None]], site: Site | None = None) -> Site:
    site = site or Site()

    async def told() -> None:
        site.begin()
        await script(site)
        await site.die()
        if site.centre.known.origins:
            (kept,) = site.centre.known.origins.values()
            assert kept.facts == (await site.sealed())[: len(kept.facts)]

    passing(told())
    assert site.centre.most_under_way <= 1
    return site


def test_what_is_sealed_reaches_the_centre_in_order_and_once() -> None:
    async def script(site: Site) -> None:
        await site.fill(5)
        await asyncio.sleep(5)
        assert site.held == 5
        await site.fill(3, 5)
        await asyncio.sleep(5)

    site = story(script)
    assert site.held == 8
    figures = site.sender.telemetry()
    assert (figures.behind, figures.forwarded, figures.trouble) == (0, 8, "")
    assert not any(figures.refused.values())
    assert site.said == []


def test_days_of_absence_cost_patience_and_then_all_goes_in_batches() -> None:
    async def script(site: Site) -> None:
        await site.fill(2)
        await asyncio.sleep(5)
        site.centre.away = True
        await site.fill(2 * FACTS_MAX + 7, 2)
        await asyncio.sleep(2 * 86_400)
        figures = site.sender.telemetry()
        assert figures.behind == 2 * FACTS_MAX + 7
        # At five minutes' distance at the longest, two days are some 600 tries.
        assert 400 < figures.refused["unreachable"] < 1_000
        site.centre.away = False
        await asyncio.sleep(600)

    site = story(script)
    assert site.held == 2 * FACTS_MAX + 9
    assert [what for _, what, _ in site.said] == ["unreachable", "takes facts again"]
    assert max(len(one.facts) for one in site.centre.batches) >= FACTS_MAX // 2


def test_an_answer_that_is_lost_after_the_commit_repeats_nothing() -> None:
    async def script(site: Site) -> None:
        site.centre.loses = 3
        await site.fill(FACTS_MAX * 2)
        await asyncio.sleep(120)

    site = story(script)
    assert site.held == FACTS_MAX * 2
    # It asked, heard how far the centre is, and went on from there: with fewer at once, as on a thin line.
    assert [one.after for one in site.centre.batches if one.facts] == [0, 512, 768, 896, 960]
    assert sum(len(one.facts) for one in site.centre.batches) == FACTS_MAX * 2


def test_on_a_thin_line_batches_become_small_and_grow_again() -> None:
    async def script(site: Site) -> None:
        await site.fill(3 * FACTS_MAX)
        site.centre.thin_facts = 20
        await asyncio.sleep(300)
        few = site.held
        assert few > 0
        site.centre.thin_facts = None
        await site.fill(20 * FACTS_MAX, 3 * FACTS_MAX)
        await asyncio.sleep(PAUSE_LONGEST_S + 600)

    site = story(script)
    assert site.held == 23 * FACTS_MAX
    sizes = [len(one.facts) for one in site.centre.batches if one.facts]
    assert min(sizes) <= FACTS_LEAST
    assert max(sizes) == FACTS_MAX


def test_a_batch_that_was_damaged_on_the_way_comes_again() -> None:
    async def script(site: Site) -> None:
        site.centre.garbles = 2
        await site.fill(9)
        await asyncio.sleep(60)

    site = story(script)
    assert site.held == 9
    assert site.sender.telemetry().refused["broken-link"] == 1


def test_a_restart_asks_how_far_the_centre_is_and_sends_nothing_twice() -> None:
    async def script(site: Site) -> None:
        await site.fill(9)
        await asyncio.sleep(5)
        for _ in range(3):
            await site.die()
            site.begin()
            await asyncio.sleep(5)
        await site.fill(1, 9)
        await asyncio.sleep(5)

    site = story(script)
    assert site.held == 10
    assert sum(len(one.facts) for one in site.centre.batches) == 10


def test_a_centre_that_never_answers_is_waited_for_within_limits() -> None:
    async def script(site: Site) -> None:
        site.centre.hangs = True
        await site.fill(3)
        await asyncio.sleep(3_600)
        assert not site.sender.heartbeat.stuck
        site.centre.hangs = False
        await asyncio.sleep(PAUSE_LONGEST_S + 400)

    site = story(script)
    assert site.held == 3
    assert site.sender.counts["unreachable"] > 3


def test_who_is_asked_to_come_again_later_does_so_later_and_not_never() -> None:
    async def script(site: Site) -> None:
        site.centre.later_s = 1e9
        await site.fill(3)
        await asyncio.sleep(5)
        site.centre.later_s = 0
        await asyncio.sleep(PAUSE_LONGEST_S - 10)
        assert site.held == 0
        await asyncio.sleep(20)

    assert story(script).held == 3


def test_a_backlog_waits_while_the_daemon_is_overloaded() -> None:
    async def script(site: Site) -> None:
        await asyncio.sleep(5)
        site.pressed = True
        await site.fill(9)
        await asyncio.sleep(600)
        assert site.held == 0
        site.pressed = False
        await asyncio.sleep(5)

    assert story(script).held == 9


def test_an_idle_site_still_tells_the_centre_how_much_is_sealed() -> None:
    async def script(site: Site) -> None:
        await site.fill(1)
        await asyncio.sleep(10 * TELL_EVERY_S)

    site = story(script)
    assert 8 <= len([one for one in site.centre.batches if not one.facts]) <= 12


def test_a_journal_that_was_set_back_is_named_and_replaces_nothing() -> None:
    async def script(site: Site) -> None:
        await site.fill(9)
        await asyncio.sleep(5)
        await site.die()
        # An older copy of the same journal: the same id, the same salts, fewer facts.
        newer, site.store = site.store, MemoryJournal(salts=salts(1))
        await site.fill(5)
        assert await site.sealed() == (await newer.sealed_bodies(0, 5))
        site.begin()
        await asyncio.sleep(5)
        assert site.sender.telemetry().trouble.startswith("set-back: centre has 9 facts")
        assert site.held == 9
        # It goes on with other facts: the centre finds another one at their places.
        await site.fill(6, 20)
        await asyncio.sleep(PAUSE_LONGEST_S + 60)
        assert site.sender.telemetry().trouble.startswith("fork: ")
        assert site.held == 9
        await site.die()
        site.store = newer
        site.begin()
        await site.fill(1, 9)
        await asyncio.sleep(5)

    site = story(script)
    assert site.held == 10
    assert [what for _, what, _ in site.said] == ["set-back", "fork"]


def test_a_fact_that_was_damaged_here_goes_as_its_link_alone_and_holds_up_nothing() -> None:
    async def script(site: Site) -> None:
        await site.fill(6)
        row = site.store._sealed[4]
        row.body = row.body.replace('"', "'")
        await asyncio.sleep(5)

    site = Site()
    passing(_without_comparing(site, script))
    (kept,) = site.centre.known.origins.values()
    assert [one.body is None for one in kept.facts] == [False, False, False, True, False, False]


async def _without_comparing(site: Site, script: Callable[[Site], Coroutine[Any, Any, None]]) -> None:
    site.begin()
    await script(site)
    await site.die()
