"""The follower alone: which reader hears of what, how often, and what becomes of what fails in between."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import pytest

from pagereeve.domain.facts.facts import (
    JOURNAL_SOURCE,
    Bound,
    Decided,
    Fact,
    GatewayChecked,
    Origin,
    PagesDecided,
    Redated,
    ReleaseAnswered,
    ReleaseEnded,
    ReleaseStarted,
)
from pagereeve.domain.facts.page_decision import PageDecision
from pagereeve.engine.following import FactFollower
from pagereeve.ports.following import FollowedFact, FollowedPage
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.store.records.nobody_else import NobodyAsks
from tests.unit.engine.intake.facts import origin, started
from tests.unit.engine.virtual import passing
from tests.unit.engine.world import SERVER, FakePrinter, World


@dataclass
class Others:
    """``pages`` are still to come; the first comes again until it was passed."""

    pages: list[FollowedPage] = field(default_factory=list)
    failures: list[JournalUnavailable] = field(default_factory=list)
    longest_s: float = 1.0
    gates: NobodyAsks = field(default_factory=NobodyAsks)
    asked: int = 0

    def add(self, *facts: Fact) -> None:
        first = self.pages[-1].through if self.pages else 0
        numbered = [FollowedFact(number, number, fact) for number, fact in enumerate(facts, first + 1)]
        self.pages.append(FollowedPage(numbered, first + len(facts)))

    async def page(self, limit: int) -> FollowedPage:
        self.asked += 1
        if self.failures:
            raise self.failures.pop()
        return self.pages[0] if self.pages else FollowedPage((), 0)

    def passed(self, page: FollowedPage) -> None:
        if self.pages:
            assert self.pages.pop(0) is page

    async def news(self) -> None:
        await asyncio.sleep(self.longest_s)

    async def close(self) -> None: ...


@dataclass
class Heard:
    """What the follower told whom."""

    world: World
    others: Others = field(default_factory=Others)
    gateways: list[GatewayChecked] = field(default_factory=list)

    def __post_init__(self) -> None:
        one = self.world
        self.follower = FactFollower(
            self.others,
            one.store,
            one.clock,
            one.intake,
            one.registry,
            one.badge_watcher,
            self.gateways.append,
        )

    async def hear(self, *facts: Fact) -> None:
        """As the others' worker stored them: they stand in the journal too."""
        for fact in facts:
            await self.world.store.append(fact)
        self.others.add(*facts)
        await self.follower.take_some()


def at(world: World, name: str) -> Origin:
    now_us = world.clock.now_us()
    return replace(origin(name, now_us), occurred_us=now_us)


def start_at(world: World, name: str, printer: str = "p", release: str = "R") -> ReleaseStarted:
    return replace(started(printer, 0, release), origin=at(world, name))


def test_a_notice_has_the_meter_read_and_opens_a_window() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(1)
            reads = len(world.sent_s())
            await Heard(world).hear(start_at(world, "s1"))
            await world.passes(0.5)
            assert len(world.sent_s()) == reads + 1
            await world.passes(3)
            assert world.watcher().open_windows() == 1

    passing(story())


def test_a_printer_that_another_worker_watches_gets_no_watcher() -> None:
    async def story() -> None:
        async with World(watches=lambda _: False) as world:
            await Heard(world).hear(start_at(world, "s1"), start_at(world, "s2", "a stranger", "S"))
            assert world.registry.watchers == {}
            assert world.registry.watcher("p") is None

    passing(story())


def test_each_fact_of_the_site_comes_to_its_reader() -> None:
    async def story() -> None:
        async with World() as world:
            heard = Heard(world)
            checked = GatewayChecked(Origin(JOURNAL_SOURCE, "g", 1, 1), "box", "up", "ping", "")
            answered = ReleaseAnswered("p", 2, "a source", "s1", 1, "in-hand")
            await heard.hear(checked, answered, Bound(1, "b-known", "owner-1", 1))
            assert heard.gateways == [checked]
            assert heard.follower.asking._known == {answered.notice: answered}
            assert world.badges.known == {"b-known"}
            assert heard.follower.followed == 3

    passing(story())


def test_a_decision_begins_again_where_its_finding_began() -> None:
    async def story() -> None:
        async with World() as world:
            await world.release("A", 3)
            world.printers["p"].value += 7
            await world.passes(1_000)
            findings = await world.store.findings(only_open=True)
            stray = next(one for one in findings if one.kind == "stray-pages")
            decided = Decided("p", at(world, "d1"), stray.id, "explain", "user-anise", "maintenance")
            await Heard(world).hear(decided)
            await world.passes(60)
            found = await world.store.finding(stray.id)
            assert found is not None
            assert found.state == "explained"
            await world.ledger()

    passing(story())


def test_dates_that_moved_have_all_rows_read_again_and_a_decision_about_pages_changes_none() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(1)
            follower, watcher = Heard(world).follower, world.watcher()
            said = PageDecision("undo", 1, "mistake", undoes="another")
            await follower._hand_on(PagesDecided("p", at(world, "d1"), "warden", said))
            assert not watcher.left_something
            await follower._hand_on(Redated("p", world.clock.now_us(), 0, 1, 1, "warden", "the clock"))
            assert watcher.updater.must_reopen

    passing(story())


def test_what_failed_in_between_comes_again_and_nothing_twice(monkeypatch: pytest.MonkeyPatch) -> None:
    async def story() -> None:
        async with World() as world:
            heard = Heard(world)
            first, second = start_at(world, "s1"), start_at(world, "s2", release="S")
            asked: list[str] = []

            async def starts(source: str, release: str) -> Sequence[ReleaseStarted]:
                asked.append(release)
                if asked == ["R", "S"]:
                    raise JournalUnavailable("away", "away")
                return ()

            monkeypatch.setattr(type(world.intake.releases), "starts", lambda _, *key: starts(*key))
            with pytest.raises(JournalUnavailable):
                await heard.hear(first, second)
            await heard.follower.take_some()
            assert asked == ["R", "S", "S"]
            assert heard.follower.followed == 2
            assert heard.others.pages == []

    passing(story())


def test_it_waits_while_the_journal_is_away_and_fails_on_anything_else() -> None:
    async def story() -> None:
        async with World() as world:
            heard = Heard(world)
            heard.others.failures = [JournalUnavailable("closed", "closed"), JournalUnavailable("away", "away")]
            with pytest.raises(JournalUnavailable, match="closed"):
                await heard.follower.run()
            assert heard.others.asked == 2

    passing(story())


def test_a_source_whose_clock_is_known_here_shows_it_there_too() -> None:
    async def story() -> None:
        async with World() as world:
            await world.start("A")
            known = world.intake.dating._clocks[SERVER]
            before = len(known.delays)
            notice = start_at(world, "s1")
            await Heard(world).hear(notice)
            assert len(known.delays) == before + 1
            await Heard(world).hear(replace(notice, origin=replace(notice.origin, source="never heard of", id="s2")))
            assert "never heard of" not in world.intake.dating._clocks

    passing(story())


def test_an_end_follows_the_start_that_was_not_known_when_it_was_placed() -> None:
    async def story() -> None:
        async with World({"p": FakePrinter(), "q": FakePrinter()}) as world:
            heard = Heard(world)
            await world.start("R", event="first")
            await world.passes(1)
            later = start_at(world, "second", "q")
            await world.passes(1)
            await world.end("R")
            await heard.hear(later)
            ends = [one for one in await world.facts("q") if isinstance(one, ReleaseEnded)]
            assert [one.release for one in ends] == ["R"]
            # Somebody else may have done the same: it is a duplicate then.
            await world.intake.storing._route_anew(SERVER, "R")
            assert len([one for one in await world.facts("q") if isinstance(one, ReleaseEnded)]) == 1

    passing(story())
