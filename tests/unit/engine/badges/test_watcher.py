"""Badges, readers, decisions and maintenance as the engine takes them in: durable, projected, the same in a replay."""

from __future__ import annotations

from collections import Counter

import pytest

from pagereeve.domain.badges.form import BadgeForm
from pagereeve.domain.badges.projector import SITE, rebuild_badges
from pagereeve.domain.facts.events import FINDING_DECIDED, PRINTER_NOTED
from pagereeve.domain.facts.facts import (
    BadgePresented,
    BadgeUnreadable,
    Bound,
    Decided,
    PolicySet,
    Registered,
    ReleaseEnded,
)
from pagereeve.domain.facts.site_in_force import SiteRules
from pagereeve.domain.ledger import Finding
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.intake import BadgeLine
from tests.findings import lines_of
from tests.unit.engine.virtual import passing
from tests.unit.engine.world import FakePrinter, World

ANISE, BIRCH = "1EA68671", "4CDDA15F"


async def site(world: World) -> list[Finding]:
    """The badge checks's stored findings, which must be what a rebuild says."""
    stored = [finding for segment in await world.store.segments(SITE) for finding in segment.findings]
    rules = SiteRules.of([one.fact for one in await world.store.standing_facts(SITE)])
    fresh = await rebuild_badges(rules, world.store.badge_facts())
    assert sorted(one.id for segment in fresh for one in segment.findings) == sorted(one.id for one in stored)
    counted = +world.badge_watcher.running_totals.open_findings
    assert counted == Counter(one.kind for one in stored if one.state == "open")
    return stored


async def with_directory(world: World) -> None:
    """Anise's and birch's badges are known, and what stands behind which gateway."""
    now_us = world.clock.now_us()
    for number, owner in ((ANISE, "anise"), (BIRCH, "birch")):
        hashed = world.badges.hashed(number)
        world.badges.known.add(hashed)
        await world.store.append(Bound(0, hashed, owner, now_us))
    for printer, gateway in world.gateways.items():
        await world.store.append(Registered(now_us, printer, gateway))
    world.supervisor.start("badges", "badges", world.badge_watcher.run)
    await world.passes(5)


def two() -> World:
    return World({"a": FakePrinter(), "b": FakePrinter()}, {"a": "east", "b": "west"})


def test_an_unknown_badge_is_told_within_seconds_and_once() -> None:
    async def story() -> None:
        async with two() as world:
            await with_directory(world)
            for _ in range(3):
                await world.badge("DEADBEEF", "east")
                await world.passes(5)
            (told,) = await site(world)
            assert (told.kind, told.place) == ("unknown-badge", "the reader at gateway east")
            assert await world.store.finding(told.id) == told

    passing(story())


def test_a_badge_that_its_form_refuses_is_an_error_of_the_frame_and_never_an_unknown_badge() -> None:
    """joan2937/pigpio#30 (lost bits), apache/openwhisk-package-kafka#319: the sender is answered success."""

    async def story() -> None:
        async with two() as world:
            world.badges.forms = {("east", ""): BadgeForm("hex", 32), ("east", "desk"): BadgeForm("decimal", 32)}
            await with_directory(world)
            accepted = await world.badge("1EA686", "east")
            assert (accepted.outcome, "length" in accepted.detail or accepted.detail == "") == ("stored", True)
            line = await world.intake.badge_line(BadgeLine("east", "1EA686ZZ", "line", world.clock.now_us()))
            assert line.outcome == "stored"
            assert "1EA686" not in line.detail
            await world.badge("514229873", "east", event="by-the-desk")
            await world.passes(5)
            assert await site(world) == []
            facts = [one.fact async for one in world.store.facts("")]
            reasons = [fact.reason for fact in facts if isinstance(fact, BadgeUnreadable)]
            assert reasons == ["length", "form", "length"]
            assert world.counters.refused_badges == {"length": 2, "form": 1}

    passing(story())


def test_readers_of_two_styles_are_one_person() -> None:
    """monkeyboard/Wiegand-Protocol-Library-for-Arduino#56: byte order."""

    async def story() -> None:
        async with two() as world:
            turned = BadgeForm("hex", 32, byte_order="least-first")
            world.badges.form = BadgeForm("hex", 32)
            world.badges.forms = {("west", ""): turned, ("east", "desk"): BadgeForm("decimal", 32)}
            await with_directory(world)
            at_us = world.clock.now_us()
            for gateway, number, reader in (
                ("east", ANISE, ""),
                ("west", "7186A61E", ""),
                ("east", "514229873", "desk"),
            ):
                await world.passes(60)
                await world.intake.badge_line(BadgeLine(gateway, number, "line", at_us, reader))
                at_us = world.clock.now_us()
            badges = [fact async for fact in world.store.badge_facts() if isinstance(fact, BadgePresented)]
            assert {fact.badge for fact in badges} == {world.badges.hashed(ANISE)}
            assert await site(world) == []

    passing(story())


def test_a_reader_whose_style_changed_is_told_without_mapping_anything() -> None:
    async def story() -> None:
        async with two() as world:
            world.badges.form = BadgeForm("hex", 32)
            await with_directory(world)
            for nth, number in enumerate(("7186A61E", "5FA1DD4C", "7186A61E")):
                await world.passes(20 + nth)
                await world.badge(number, "east")
            await world.passes(5)
            (told,) = await site(world)
            assert told.kind == "reader-form-changed"
            assert "byte-reversed" in lines_of(told)[0]
            facts = [fact async for fact in world.store.badge_facts() if isinstance(fact, BadgePresented)]
            assert world.badges.hashed(ANISE) not in {fact.badge for fact in facts}

    passing(story())


def test_a_release_is_taken_though_its_badge_can_not_be_read() -> None:
    async def story() -> None:
        async with two() as world:
            world.badges.form = BadgeForm("hex", 32)
            await with_directory(world)
            assert (await world.start("r", 2, "a", badge="no hex at all")).outcome == "stored"
            assert world.counters.refused_badges == {"form": 1}

    passing(story())


def test_the_wrong_badge_at_the_wrong_gateway() -> None:
    async def story() -> None:
        async with two() as world:
            await with_directory(world)
            await world.badge(ANISE, "west")
            await world.start("r", 2, "a", badge=ANISE, owner="birch")
            await world.passes(5)
            assert {one.kind for one in await site(world)} == {"badge-elsewhere", "badge-owner-differs"}

    passing(story())


def test_what_the_badge_watcher_did_not_hear_of_it_reads_from_the_journal(monkeypatch: pytest.MonkeyPatch) -> None:
    async def story() -> None:
        async with two() as world:
            await with_directory(world)
            world.badge_watcher.settle_every_s = 50
            for nth in range(25):
                await world.badge(f"DEADBE{nth:02d}", "east")
                await world.passes(2)
            await world.passes(100)
            assert len(await site(world)) == 25

    monkeypatch.setattr("pagereeve.engine.badges.watcher.HEARD_MAX", 4)
    passing(story())


def test_a_late_badge_is_found_in_its_own_time() -> None:
    async def story() -> None:
        async with two() as world:
            await with_directory(world)
            await world.badge(ANISE, "west", late_s=0)
            await world.start("r", 2, "a", badge=ANISE, owner="anise", late_s=0)
            await world.passes(700)
            assert [one.kind for one in await site(world)] == ["badge-elsewhere"]
            await world.badge("DEADBEEF", "east", late_s=650)
            await world.passes(5)
            assert {one.kind for one in await site(world)} == {"badge-elsewhere", "unknown-badge"}

    passing(story())


def test_a_late_badge_is_found_though_the_journal_could_not_store_at_first() -> None:
    async def story() -> None:
        async with two() as world:
            await with_directory(world)
            for nth in range(3):
                await world.badge(f"DEADBE{nth:02d}", "west")
                await world.passes(700)
            late_us = world.clock.now_us() - 650 * SECOND_US
            await world.badge("DEADBEEF", "east", late_s=650)
            world.badge_watcher.begin_again(late_us)
            world.store.unavailable = "an invented full disk"
            await world.passes(20)
            world.store.unavailable = ""
            await world.passes(200)
            assert len(await site(world)) == 4

    passing(story())


def test_a_late_badge_stored_just_before_the_end_is_found_at_the_next_start(monkeypatch: pytest.MonkeyPatch) -> None:
    async def story() -> None:
        first = two()
        async with first:
            first.badge_watcher.seal_every = 3
            await with_directory(first)
            for nth in range(12):
                await first.badge(f"DEADBE{nth:02d}", "west")
                await first.passes(700)
            assert any(segment.resume_point is not None for segment in await first.store.segments(SITE))
            with monkeypatch.context() as dying:
                dying.setattr("pagereeve.engine.badges.watcher.BadgeWatcher.accept", lambda *_: None)
                await first.badge("DEADBEEF", "east", late_s=3_000)
        async with World(first.printers, first.gateways, store=first.store) as again:
            again.badge_watcher.seal_every = 3
            again.supervisor.start("badges", "badges", again.badge_watcher.run)
            await again.passes(30)
            assert len(await site(again)) == 13

    passing(story())


def test_a_restart_loses_no_finding() -> None:
    async def story() -> None:
        first = two()
        async with first:
            await with_directory(first)
            await first.badge("DEADBEEF", "east")
            await first.passes(0.01)
        await first.badge_watcher.finish()
        assert len(await site(first)) == 1
        async with World(first.printers, first.gateways, store=first.store) as again:
            again.supervisor.start("badges", "badges", again.badge_watcher.run)
            await again.passes(5)
            assert len(await site(again)) == 1

    passing(story())


# Decisions


async def decide(world: World, finding: str, action: str = "explain", reason: str = "jam", **more: str) -> str:
    data = {"finding": finding, "action": action, "by": "a warden", **({"reason": reason} if reason else {}), **more}
    return (await world.send(FINDING_DECIDED, data)).outcome


def test_a_decision_is_kept_and_shown() -> None:
    async def story() -> None:
        async with World() as world:
            await world.release("r", 3)
            world.printers["p"].value += 5
            await world.passes(2_000)
            (told,) = (await world.ledger()).findings
            assert await decide(world, told.id, reason="walk-up-copy", text="copies for the board") == "stored"
            await world.passes(30)
            (after,) = (await world.ledger()).findings
            assert (after.state, after.reason) == ("explained", "walk-up-copy")
            assert "by a warden: explain, walk-up-copy, copies for the board" in lines_of(after)[-1]
            assert await decide(world, told.id, "close", "") == "stored"
            await world.passes(30)
            (after,) = (await world.ledger()).findings
            assert (after.state, after.reason) == ("closed", "walk-up-copy")

    passing(story())


def test_maintenance_said_of_a_gap_turns_its_pages_into_maintenance_pages_however_old() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            world.printers["p"].value += 5
            await world.passes(2_000)
            (told,) = (await world.ledger()).findings
            for nth in range(5):
                await world.release(f"r{nth}", 3)
                await world.passes(3_000)
            await decide(world, told.id, reason="maintenance")
            await world.passes(30)
            ledger = await world.ledger()
            accounts = {account for posting in ledger.postings for account, _ in posting.legs}
            assert "house:maintenance" in accounts
            assert "house:stray" not in accounts
            (after,) = ledger.findings
            assert (after.id, after.state, after.reason) == (told.id, "explained", "maintenance")

    passing(story())


@pytest.mark.parametrize(
    ("data", "where"),
    [
        ({"finding": "f-000000000000", "action": "close", "by": "x"}, "data.finding"),
        ({"finding": "f-1", "action": "explain", "by": "x"}, "data.reason"),
        ({"finding": "f-1", "action": "explain", "by": "x", "reason": "gremlins"}, "data.reason"),
        ({"finding": "f-1", "action": "forget", "by": "x"}, "data.action"),
        ({"finding": "f-1", "action": "close"}, "data.by"),
    ],
)
def test_a_decision_that_can_not_be_taken_says_why(data: dict[str, str], where: str) -> None:
    async def story() -> None:
        async with World() as world:
            with pytest.raises(BadFact) as caught:
                await world.send(FINDING_DECIDED, data)
            assert caught.value.where == where

    passing(story())


def test_a_decision_about_a_badge_finding() -> None:
    async def story() -> None:
        async with two() as world:
            await with_directory(world)
            await world.badge("DEADBEEF", "east")
            await world.passes(5)
            (told,) = await site(world)
            assert await decide(world, told.id, reason="other") == "stored"
            await world.passes(5)
            (after,) = await site(world)
            assert (after.state, after.reason) == ("explained", "other")

    passing(story())


def test_a_decision_stored_just_before_the_end_is_projected_at_the_next_start() -> None:
    async def story() -> None:
        first = World()
        async with first:
            await first.passes(100)
            first.printers["p"].value += 5
            await first.passes(2_000)
            for nth in range(3):
                await first.release(f"r{nth}", 2)
                await first.passes(3_000)
            told = next(one for one in (await first.ledger()).findings if one.kind == "stray-pages")
        origin = next(f.origin for f in await first.facts() if isinstance(f, ReleaseEnded))
        at_us = first.clock.now_us()
        decision = Decided("p", type(origin)("urn:d", "d", at_us, at_us), told.id, "explain", "w", "maintenance")
        await first.store.append(decision)
        async with World(first.printers, store=first.store) as again:
            await again.passes(30)
            ledger = await again.ledger()
            assert [one.state for one in ledger.findings if one.id == told.id] == ["explained"]

    passing(story())


def test_a_late_notice_stored_just_before_the_end_is_projected_at_the_next_start(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Restart in the middle, and the ledger is the same."""

    async def story() -> None:
        first = World()
        async with first:
            await first.passes(1_000)
            first.printers["p"].print(first.now_s, 5)
            begun_s = first.now_s
            for nth in range(4):
                await first.passes(3_600)
                await first.release(f"r{nth}", 2)
            with monkeypatch.context() as dying:
                dying.setattr("pagereeve.engine.printers.watcher.PrinterWatcher.take", _drop)
                await first.start("late", 5, late_s=first.now_s - begun_s)
                await first.end("late", late_s=first.now_s - begun_s - 4)
        async with World(first.printers, store=first.store) as again:
            await again.passes(60)
            ledger = await again.ledger()
            assert ledger.findings == []
            assert {one.release.release: one.charged for one in ledger.charges}["late"] == 5

    passing(story())


def _drop(watcher: object, arrival: object) -> None:
    """The process dies before its watcher hears of it."""


# Maintenance, and names used again


def test_the_meter_is_read_when_somebody_notes_that_work_begins_and_ends() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            await world.send(PRINTER_NOTED, {"printer": "p", "note": "maintenance-begun"})
            await world.passes(60)
            world.printers["p"].value += 7
            await world.passes(60)
            await world.send(PRINTER_NOTED, {"printer": "p", "note": "maintenance-ended"})
            await world.passes(60)
            world.printers["p"].value += 2
            await world.passes(2_000)
            ledger = await world.ledger()
            received = {account: pages for one in ledger.postings for account, pages in one.legs if "house" in account}
            assert received == {"house:maintenance": 7, "house:stray": 2}

    passing(story())


def test_a_name_used_again_at_another_printer_has_its_own_end_there() -> None:
    """apple/cups#1582: whichever of start and end is told first."""

    async def story() -> None:
        async with two() as world:
            await world.passes(100)
            await world.release("r", 3, "a")
            await world.passes(1_000)
            world.printers["b"].print(world.now_s, 2)
            begun_s = world.now_s
            await world.passes(3)
            await world.end("r")
            await world.start("r", 2, "b", late_s=world.now_s - begun_s, owner="somebody-else")
            await world.passes(100)
            (first,), (second,) = (await world.ledger("a")).charges, (await world.ledger("b")).charges
            assert (first.owner, first.charged, first.ended_us is None) == ("owner-r", 3, False)
            assert (second.owner, second.charged, second.ended_us is None) == ("somebody-else", 2, False)
            assert [one.kind for one in (await world.ledger("a")).findings] == []

    passing(story())


def test_policies_of_a_day_judge_that_day() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            await world.start("r", 3)
            world.printers["p"].print(world.now_s, 4)
            await world.passes(4)
            await world.end("r")
            await world.passes(3_600)
            assert [one.kind for one in (await world.ledger()).findings] == ["surplus"]
            mild = PolicySet("p", world.clock.now_us(), type(world.policy)(settle_us=10 * SECOND_US, tolerance_pages=1))
            await world.store.append(mild)
            world.watcher().begin_again(mild.at_us)
            await world.passes(60)
            await world.start("again", 3)
            world.printers["p"].print(world.now_s, 4)
            await world.passes(4)
            await world.end("again")
            await world.passes(3_600)
            assert [one.kind for one in (await world.ledger()).findings] == ["surplus"]

    passing(story())
