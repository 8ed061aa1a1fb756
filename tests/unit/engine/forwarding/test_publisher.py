"""A site and a centre with a broker between them that loses, doubles and mixes up: in the end all is held, once."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Mapping
from dataclasses import dataclass, field
from random import Random
from typing import Any

import pytest

from pagereeve.app.sites.collecting import Collector
from pagereeve.app.sites.joining import SiteFacts
from pagereeve.domain.forwarding.batch import FACTS_MAX, read_batch
from pagereeve.domain.forwarding.message import MessageId
from pagereeve.engine.forwarding.publisher import ASK_LONGEST_S, PublishingSender
from pagereeve.engine.forwarding.sender import TELL_EVERY_S
from pagereeve.ports.broker import BrokerTrouble, HeardAnswer
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.receivers.broker.answers import answer_text, read_answer
from pagereeve.store.memory.journal import MemoryJournal
from tests.forwarding import salts
from tests.journal_samples import badge, read
from tests.unit.engine.virtual import SeededEntropy, VirtualClock, passing


@pytest.fixture(autouse=True)
def without_threads(monkeypatch: pytest.MonkeyPatch) -> None:
    """In virtual time nobody waits for a thread."""

    async def at_once(work: Callable[..., Any], *given: Any) -> Any:
        return work(*given)

    monkeypatch.setattr(asyncio, "to_thread", at_once)


@dataclass
class Message:
    id: str
    body: bytes
    is_of_site: bool = True


@dataclass
class FakeBroker:
    """``cut``: nothing passes between its two ends. ``keeps``: so many messages that wait; older ones are dropped.
    ``full``: it takes no more. ``payload_max``: of one message. ``chance``: doubles and mixes up what waits.
    """

    name: str = "centre"
    site: str = "annex"
    away: bool = False
    cut: bool = False
    full: bool = False
    keeps: int = 10**6
    payload_max: int = 10**7
    chance: Random | None = None
    waiting: list[Message] = field(default_factory=list)
    last: Message | None = None
    published: list[tuple[MessageId, bytes]] = field(default_factory=list)
    refused: list[Message] = field(default_factory=list)
    answers_us: int = 0
    _seen: set[str] = field(default_factory=set)
    _written: bytes | None = None
    _shown: bytes | None = None

    async def publish(self, batch: bytes, message_id: MessageId) -> None:
        await self._reached()
        if self.full:
            raise BrokerTrouble("busy", "maximum bytes exceeded")
        if len(batch) > self.payload_max:
            raise BrokerTrouble("too-large", "more than it takes at once")
        self.published.append((message_id, batch))
        if str(message_id) not in self._seen:
            self._seen.add(str(message_id))
            self.last = Message(str(message_id), batch)
            self.waiting = [*self.waiting, self.last][-self.keeps :]
            if self.chance is not None and self.chance.random() < 0.3:
                self.waiting.append(self.chance.choice(self.waiting))
            if self.chance is not None and self.chance.random() < 0.2:
                self.chance.shuffle(self.waiting)

    async def latest(self) -> MessageId | None:
        await self._reached()
        return None if self.last is None else MessageId.parsed(self.last.id)

    async def answer(self) -> HeardAnswer | None:
        await self._reached()
        if not self.cut:
            self._shown = self._written
        return None if self._shown is None else read_answer(self._shown, self.name)

    async def _reached(self) -> None:
        await asyncio.sleep(0.01)
        if self.away:
            raise BrokerTrouble("unreachable", "nobody listens")

    def purge(self) -> None:
        self.waiting.clear()
        self.last = None

    async def close(self) -> None: ...


@dataclass
class CentreEnd:
    """``dies``: so many times whoever takes is gone after the commit, before he says so."""

    broker: FakeBroker
    dies: int = 0

    @property
    def name(self) -> str:
        return self.broker.name

    @property
    def site(self) -> str:
        return self.broker.site

    async def take(self) -> Taken | None:
        if self.broker.cut or not self.broker.waiting:
            await asyncio.sleep(3)
        await asyncio.sleep(0.05)
        return None if self.broker.cut or not self.broker.waiting else Taken(self, self.broker.waiting[0])

    async def answer(self, message_id: str, members: Mapping[str, Any]) -> None:
        self.broker._written = answer_text(message_id, members)

    async def close(self) -> None: ...


@dataclass
class Taken:
    end: CentreEnd
    message: Message

    @property
    def is_of_site(self) -> bool:
        return self.message.is_of_site

    @property
    def body(self) -> bytes:
        return self.message.body

    @property
    def id(self) -> str:
        return self.message.id

    async def done(self) -> None:
        if self.end.dies:
            self.end.dies -= 1
            raise BrokerTrouble("unreachable", "the link was cut")
        if self.message in self.end.broker.waiting:
            self.end.broker.waiting.remove(self.message)

    async def refuse(self) -> None:
        self.end.broker.refused.append(self.message)
        self.end.broker.waiting.remove(self.message)

    async def later(self, wait_s: float) -> None: ...


class Centre(MemoryJournal):
    """``closed``: it can't store."""

    closed = False

    async def append_forwarded(self, *given: Any) -> Any:
        if self.closed:
            raise JournalUnavailable("no space", "no-space")
        return await super().append_forwarded(*given)


@dataclass
class World:
    broker: FakeBroker = field(default_factory=FakeBroker)
    store: MemoryJournal = field(default_factory=lambda: MemoryJournal(salts=salts(1)))
    centre: Centre = field(default_factory=lambda: Centre(salts=salts(2)))
    said: list[str] = field(default_factory=list)
    tasks: list[asyncio.Task[None]] = field(default_factory=list)

    def begin(self) -> None:
        self.sender = PublishingSender(
            *(self.broker, "annex", self.store, VirtualClock(), SeededEntropy()),
            report=lambda _centre, what, _why: self.said.append(what),
        )
        self.end = CentreEnd(self.broker)
        self.facts = SiteFacts(self.centre, VirtualClock())
        self.collector = Collector(self.end, self.facts, VirtualClock(), SeededEntropy())
        self.tasks = [asyncio.create_task(one.run()) for one in (self.sender, self.collector)]

    async def die(self) -> None:
        for task in self.tasks:
            assert not task.done(), task.result()
            task.cancel()
        await asyncio.gather(*self.tasks, return_exceptions=True)

    async def fill(self, count: int) -> None:
        first = await self.store.last_position()
        for number in range(first, first + count):
            printer = ("rs", "library", "")[number % 3]
            await self.store.append(
                read(number + 1, printer) if number % 2 and printer else badge(f"b-{number}", printer)
            )

    async def held(self) -> int:
        return sum([one.place for one in await self.centre.origins()])

    async def require_all(self) -> None:
        """Once each, the same to the byte, and the site knows."""
        size = await self.store.last_position()
        held = await self.centre.held_places(await self.store.own_origin(), 0, size + 10)
        assert list(held.values()) == [one.sealed for one in await self.store.sealed_bodies(0, 10**6)]
        assert (self.sender.has, self.sender.trouble) == (size, "")


def story(script: Callable[[World], Coroutine[Any, Any, None]], world: World | None = None) -> World:
    world = world or World()

    async def told() -> None:
        world.begin()
        await script(world)
        await world.die()

    passing(told())
    return world


def test_what_is_sealed_is_sent_stored_and_known_as_stored() -> None:
    async def script(world: World) -> None:
        await world.fill(5)
        await asyncio.sleep(5)
        await world.fill(3)
        await asyncio.sleep(5)
        await world.require_all()
        figures = world.sender.telemetry()
        assert (figures.forwarded, figures.behind, figures.unanswered) == (8, 0, 0)

    assert story(script).said == []


def test_a_site_without_facts_asks_nothing() -> None:
    async def script(world: World) -> None:
        await asyncio.sleep(600)
        assert world.broker.published == []

    story(script)


def test_while_the_link_is_cut_for_long_facts_are_sent_and_few_questions() -> None:
    async def script(world: World) -> None:
        await world.fill(2)
        await asyncio.sleep(5)
        world.broker.cut = True
        await world.fill(3 * FACTS_MAX)
        await asyncio.sleep(6 * 3_600)
        figures = world.sender.telemetry()
        assert (world.sender.sent, figures.behind, figures.unanswered) == (3 * FACTS_MAX + 2, *[3 * FACTS_MAX] * 2)
        assert "the centre does not answer" in figures.trouble
        questions = [raw for _, raw in world.broker.published if not read_batch(raw).facts]
        assert len(questions) < 6 * 3_600 / ASK_LONGEST_S + 10
        world.broker.cut = False
        await asyncio.sleep(120)
        await world.require_all()

    # Nothing was sent twice.
    world = story(script)
    facts = [len(read_batch(raw).facts) for _, raw in world.broker.published]
    assert sum(facts) == 3 * FACTS_MAX + 2


def test_a_site_that_starts_anew_while_the_link_is_cut_sends_only_what_is_new() -> None:
    async def script(world: World) -> None:
        world.broker.cut = True
        await world.fill(FACTS_MAX)
        await asyncio.sleep(60)
        await world.die()
        world.begin()
        await world.fill(10)
        await asyncio.sleep(60)
        assert sum(len(read_batch(raw).facts) for _, raw in world.broker.published) == FACTS_MAX + 10
        world.broker.cut = False
        await asyncio.sleep(120)
        await world.require_all()

    story(script)


def test_what_was_lost_in_the_broker_is_sent_again_from_where_the_centre_is() -> None:
    async def script(world: World) -> None:
        await world.fill(10)
        await asyncio.sleep(5)
        world.broker.cut = True
        await world.fill(FACTS_MAX)
        await asyncio.sleep(10)
        world.broker.purge()
        world.broker.cut = False
        # Nothing comes behind it: a question finds it.
        await asyncio.sleep(2 * TELL_EVERY_S + 30)
        await world.require_all()
        assert world.sender.telemetry().refused["gap"] == 1

    assert story(script).said == ["gap", "takes facts again"]


@pytest.mark.parametrize("keeps", [1, 2])
def test_a_stream_that_is_too_small_for_what_waits_gets_it_all_in_the_end(keeps: int) -> None:
    async def script(world: World) -> None:
        world.broker.keeps = keeps
        world.broker.cut = True
        await world.fill(4 * FACTS_MAX)
        await asyncio.sleep(3_600)
        world.broker.cut = False
        await asyncio.sleep(2 * 3_600)
        await world.require_all()

    story(script)


def test_a_stream_that_is_full_is_tried_again() -> None:
    async def script(world: World) -> None:
        world.broker.full = True
        await world.fill(3)
        await asyncio.sleep(600)
        assert world.sender.trouble == "busy: maximum bytes exceeded"
        world.broker.full = False
        await asyncio.sleep(400)
        await world.require_all()

    assert story(script).said == ["busy", "takes facts again"]


def test_batches_become_small_enough_for_the_broker() -> None:
    async def script(world: World) -> None:
        world.broker.payload_max = 4_000
        await world.fill(100)
        await asyncio.sleep(3_600)
        await world.require_all()

    story(script)


def test_a_broker_that_is_away_costs_patience() -> None:
    async def script(world: World) -> None:
        await world.fill(3)
        await asyncio.sleep(5)
        world.broker.away = True
        await world.fill(3)
        await asyncio.sleep(6 * 3_600)
        assert 50 < world.sender.telemetry().refused["unreachable"] < 250
        world.broker.away = False
        await asyncio.sleep(400)
        await world.require_all()

    assert story(script).said == ["unreachable", "takes facts again"]


def test_a_centre_that_dies_between_commit_and_acknowledgement_gets_it_again_and_joins_it_once() -> None:
    async def script(world: World) -> None:
        world.end.dies = 3
        await world.fill(2 * FACTS_MAX)
        await asyncio.sleep(600)
        await world.require_all()
        assert world.end.dies == 0

    story(script)


def test_while_the_centre_can_not_store_the_broker_keeps_it() -> None:
    async def script(world: World) -> None:
        world.centre.closed = True
        await world.fill(3)
        await asyncio.sleep(300)
        assert "the disk of the journal is full" in world.facts.notice()
        assert world.broker.refused == []
        world.centre.closed = False
        await asyncio.sleep(400)
        await world.require_all()
        assert world.facts.notice() == ""

    story(script)


@pytest.mark.parametrize("seed", range(4))
def test_whatever_the_broker_and_the_two_ends_do_all_is_held_once(seed: int) -> None:
    chance = Random(seed)

    async def begun_anew(world: World) -> None:
        await world.die()
        world.begin()

    async def filled(world: World) -> None:
        await world.fill(chance.randrange(1, 700))

    def changed(world: World, what: str, value: Any) -> None:
        setattr(world.broker, what, value)

    things: list[Callable[[World], Any]] = [
        filled,
        filled,
        begun_anew,
        lambda world: world.broker.purge(),
        lambda world: changed(world, "cut", not world.broker.cut),
        lambda world: changed(world, "away", not world.broker.away),
        lambda world: changed(world, "keeps", chance.choice([1, 3, 10**6])),
        lambda world: setattr(world.end, "dies", 2),
        lambda world: world.broker.waiting.insert(0, Message("", chance.randbytes(30))),
    ]

    async def one_thing(world: World) -> None:
        done = chance.choice(things)(world)
        if done is not None:
            await done

    async def script(world: World) -> None:
        world.broker.chance = chance
        for _ in range(25):
            await one_thing(world)
            await asyncio.sleep(chance.choice([0.2, 3, 30, 400]))
        world.broker.away = world.broker.cut = False
        world.broker.chance = None
        await world.fill(1)
        await asyncio.sleep(2 * 3_600)
        await world.require_all()

    story(script)


def test_a_journal_from_an_older_copy_is_a_fork_at_both_ends_and_joins_nothing() -> None:
    world = World()

    async def script(world: World) -> None:
        await world.fill(5)
        await asyncio.sleep(5)
        copy = MemoryJournal(salts=salts(1))
        await world.die()
        world.store = copy
        world.begin()
        for number in range(9):
            await world.store.append(badge(f"other-{number}", "rs"))
        await asyncio.sleep(600)
        assert "fork" in world.sender.trouble
        assert "fork" in world.facts.notice()
        assert await world.held() == 5

    story(script, world)


def test_what_is_none_of_the_site_is_refused_and_counted() -> None:
    async def script(world: World) -> None:
        await world.fill(2)
        await asyncio.sleep(5)
        foreign = Message("", world.broker.published[-1][1], is_of_site=False)
        world.broker.waiting += [foreign, Message("x", b"no batch"), Message("y", b"")]
        await asyncio.sleep(5)
        assert [one.id for one in world.broker.refused] == ["", "x", "y"]
        counted = world.facts.telemetry()["annex"].refused
        assert (counted["wrong-origin"], counted["malformed"]) == (1, 2)
        await world.fill(1)
        await asyncio.sleep(5)
        await world.require_all()

    story(script)


def test_an_answer_that_is_none_is_named_and_hinders_nothing() -> None:
    async def script(world: World) -> None:
        world.broker._written = b"no answer"
        world.broker.cut = True
        world.broker._shown = b"no answer"
        await world.fill(2)
        await asyncio.sleep(30)
        assert "malformed" in world.sender.trouble
        assert (world.sender.sent, world.sender.counts["malformed"]) == (2, 1)
        world.broker.cut = False
        await asyncio.sleep(60)
        await world.require_all()

    assert story(script).said == ["malformed", "takes facts again"]


def test_a_site_that_was_never_heard_is_named_after_a_day() -> None:
    async def script(world: World) -> None:
        await asyncio.sleep(60)
        assert world.facts.notice() == ""
        await asyncio.sleep(86_400)
        assert "annex: not heard since the start" in world.facts.notice()

    story(script)
