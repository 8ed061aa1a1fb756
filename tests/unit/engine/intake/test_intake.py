"""What the intake makes of an event: dated, hashed, placed, durable, and answered."""

from __future__ import annotations

import asyncio

import pytest

from pagereeve.domain.badges.form import BadgeForm
from pagereeve.domain.facts.codec import fact_bytes
from pagereeve.domain.facts.events import PRINTER_NOTED, RELEASE_STARTED
from pagereeve.domain.facts.facts import BadgePresented, BadgeUnreadable, Conflict, Fact, ReleaseEnded, ReleaseStarted
from pagereeve.domain.facts.reading import Reading
from pagereeve.domain.ledger import Verdict
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.printers.inbox import Inbox
from pagereeve.engine.printers.registry import STRANGERS_MAX
from pagereeve.engine.printers.watcher import IDLE_STRANGER_S
from pagereeve.ports.intake import BadgeLine, Envelope, RefusedInput
from pagereeve.ports.journal import JournalUnavailable, Receipt
from pagereeve.store.memory.journal import MemoryJournal
from tests.unit.engine.virtual import passing
from tests.unit.engine.world import SERVER, FakePrinter, World

BADGE = "04A1B2C3D4E5F6"
TITLE = "An invented letter to nobody"


def test_a_gated_release_is_answered_only_with_a_reading_asked_for_after_its_notice() -> None:
    async def story() -> None:
        async with World({"p": FakePrinter(latency_s=1.0)}) as world:
            await world.passes(100)
            # One request is under way already: its answer proves nothing about this notice.
            world.watcher().ask_for_reading()
            await world.passes(0.5)
            begun_s = world.now_s
            accepted = await world.start("r", wait_s=10)
            assert accepted.reading == "in-hand"
            good = world.watcher().last_good
            assert good is not None
            assert good.sent_us >= world.clock.now_us() - round((world.now_s - begun_s) * SECOND_US)
            assert 1.0 <= world.now_s - begun_s <= 3.0

    passing(story())


@pytest.mark.parametrize(
    ("silent", "latency_s", "wait_s", "answer"),
    [
        (False, 0.05, 10.0, "in-hand"),
        (True, 0.05, 20.0, "failed"),
        (False, 5.0, 1.0, "not-waited"),
        (False, 0.05, 0.0, "not-waited"),
        (False, 0.05, None, ""),
    ],
)
def test_what_a_gated_release_is_answered(silent: bool, latency_s: float, wait_s: float | None, answer: str) -> None:
    async def story() -> None:
        async with World({"p": FakePrinter(silent=silent, latency_s=latency_s)}) as world:
            await world.passes(100)
            accepted = await world.start("r", wait_s=wait_s)
            assert (accepted.outcome, accepted.reading) == ("stored", answer)
            assert any(isinstance(fact, ReleaseStarted) for fact in await world.facts())

    passing(story())


class SlowToStore(MemoryJournal):
    """A fact is durable only after ``lasts_s``: longer than a read takes."""

    lasts_s = 0.5

    async def append(self, fact: Fact) -> Receipt:
        await asyncio.sleep(self.lasts_s)
        return await super().append(fact)


@pytest.mark.parametrize("rest", [False, True], ids=["reading", "rest"])
def test_the_read_that_a_gated_notice_began_answers_it_and_no_second_one_leaves(rest: bool) -> None:
    """Whether it is in hand before the notice is durable, or comes after that: one read, and nobody waits longer."""

    async def story(store: MemoryJournal) -> tuple[int, float]:
        async with World(store=store) as world:
            await world.passes(100)
            before, begun_s = len(world.sent_s()), world.now_s
            accepted = await world.start("r", wait_s=10, rest=rest)
            assert (accepted.reading, accepted.rest) == ("in-hand", "rested" if rest else "")
            return len(world.sent_s()) - before, round(world.now_s - begun_s, 2)

    lasts_s = SlowToStore.lasts_s
    assert passing(story(MemoryJournal())) == (1, 0.05)
    # Notice and answer are a fact each.
    assert passing(story(SlowToStore())) == (1, 2 * lasts_s)


def test_a_poll_that_left_after_the_notice_came_answers_its_gate() -> None:
    async def story() -> None:
        async with World({"p": FakePrinter(latency_s=1.0)}, store=SlowToStore()) as world:
            await world.passes(100)
            watcher, since_us = world.watcher(), world.clock.monotonic_us()
            watcher.change(watcher.target, world.policy, "", read=True)
            await world.passes(0.2)
            before = len(world.sent_s())
            assert isinstance(await watcher.reading(10, since_us), Reading)
            assert isinstance(await watcher.reading(10, since_us), Reading)
            assert len(world.sent_s()) == before
            assert isinstance(await watcher.reading(10, world.clock.monotonic_us()), Reading)
            assert len(world.sent_s()) == before + 1

    passing(story())


def test_a_printer_without_a_meter_keeps_nobody_waiting() -> None:
    async def story() -> None:
        async with World() as world:
            begun_s = world.now_s
            assert (await world.start("r", printer="nobody-knows", wait_s=30)).reading == "not-waited"
            assert world.now_s == begun_s

    passing(story())


def test_many_gated_releases_at_once_are_served_by_few_reads() -> None:
    async def story() -> None:
        async with World({"p": FakePrinter(latency_s=0.2)}) as world:
            await world.passes(100)
            before = len(world.sent_s())
            answers = await asyncio.gather(*(world.start(f"r{nth}", wait_s=5) for nth in range(30)))
            assert {one.reading for one in answers} == {"in-hand"}
            assert len(world.sent_s()) - before <= 4

    passing(story())


def test_4000_gated_releases_at_a_silent_printer_hold_up_neither_themselves_nor_others() -> None:
    """Each waited for a read of its own once the inbox was full: 15 s in the middle, 34 s at the longest."""

    async def story() -> None:
        printers = {"off": FakePrinter(silent=True), "well": FakePrinter()}
        async with World(printers, {"off": "gw", "well": "gw"}) as world:
            await world.passes(100)
            begun_s, waited_s = world.now_s, []

            async def gated(nth: int) -> None:
                accepted = await world.start(f"r{nth}", printer="off", wait_s=30)
                assert (accepted.outcome, accepted.reading) == ("stored", "failed")
                waited_s.append(world.now_s - begun_s)

            crowd = [asyncio.create_task(gated(nth)) for nth in range(4_000)]
            await world.passes(0.1)
            for nth in range(10):
                before_s = world.now_s
                assert (await world.start(f"w{nth}", printer="well", wait_s=30)).reading == "in-hand"
                await world.badge("04A1B2C3", "gw")
                assert world.now_s - before_s < 0.5
                await world.passes(1)
            await asyncio.gather(*crowd)
            waited_s.sort()
            assert waited_s[2_000] < 0.1
            assert waited_s[-1] < 2 * world.poll_policy.timeout_s + 1
            assert sum(isinstance(fact, ReleaseStarted) for fact in await world.facts("off")) == 4_000

    passing(story())


def test_what_an_inbox_has_no_room_for_is_read_from_the_journal(monkeypatch: pytest.MonkeyPatch) -> None:
    async def story() -> None:
        async with World({"p": FakePrinter(silent=True)}) as world:
            inbox = Inbox(3)
            await world.passes(100)
            monkeypatch.setattr(world.watcher(), "_inbox", inbox)
            before_s = world.now_s
            for nth in range(20):
                await world.start(f"r{nth}")
            assert world.now_s - before_s < 0.1
            assert inbox.is_full
            await world.passes(100)
            assert world.watcher().open_windows() == 20

    passing(story())


def test_an_event_that_comes_again_changes_nothing() -> None:
    """wasp-lang/open-saas#688: a retry adds the amount again."""

    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            assert (await world.start("r", event="e1")).outcome == "stored"
            world.printers["p"].print(world.now_s, 3)
            await world.passes(2)
            assert (await world.end("r", event="e2")).outcome == "stored"
            await world.passes(60)
            known = len(await world.facts())
            ledger = await world.ledger()
            assert (await world.end("r", event="e2", late_s=60)).outcome == "duplicate"
            await world.passes(60)
            assert await world.ledger() == ledger
            assert len(await world.facts()) == known

    passing(story())


def test_the_same_delivery_is_a_duplicate_and_other_data_a_conflict_that_is_reported() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            data = {"release": "r", "job": "j", "owner": "ann", "printer": "p", "ticket": {"pages": 3}}
            first = Envelope(SERVER, "e1", RELEASE_STARTED, None, data)
            other = Envelope(SERVER, "e1", RELEASE_STARTED, None, data | {"owner": "ben"})
            outcomes = []
            for envelope in (first, first, other):
                outcomes.append((await world.intake.take(envelope, feed="http", wait_s=None)).outcome)
                await world.passes(1)
            assert outcomes == ["stored", "duplicate", "conflict"]
            await world.passes(5)
            facts = await world.facts()
            assert [fact.owner for fact in facts if isinstance(fact, ReleaseStarted)] == ["ann"]
            assert len([fact for fact in facts if isinstance(fact, Conflict)]) == 1
            assert "conflicting-duplicate" in [one.kind for one in (await world.ledger()).findings]
            assert world.counters.events["http", "duplicate"] == 1

    passing(story())


def test_an_end_that_comes_before_its_start_finds_its_printer() -> None:
    """integrallis/stripe_event#75: the later event comes first."""

    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            assert (await world.end("r")).outcome == "stored"
            world.printers["p"].print(world.now_s, 3)
            await world.passes(1)
            assert (await world.start("r", 3)).outcome == "stored"
            await world.passes(60)
            (one,) = (await world.ledger()).charges
            assert (one.verdict, one.ended_us is not None) == (Verdict.AGREES, True)
            ends = [fact for fact in await world.facts() if isinstance(fact, ReleaseEnded)]
            assert [fact.printer for fact in ends] == ["p"]

    passing(story())


def test_a_repeated_notice_does_not_hold_back_the_end_of_the_first() -> None:
    """The end of ten seconds ago is reported after a second notice: it ended then, and not with the second start."""

    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            await world.start("r", 3, event="first")
            world.printers["p"].print(world.now_s, 3)
            begun_us = world.clock.now_us()
            await world.passes(15)
            await world.start("r", 3, event="second")
            await world.end("r", late_s=11)
            await world.passes(90)
            first, second = (await world.ledger()).charges
            assert first.ended_us == begun_us + 4 * SECOND_US
            assert second.ended_us is None

    passing(story())


def test_an_end_whose_start_came_while_nobody_ran_is_routed_at_the_next_start() -> None:
    async def story() -> None:
        first = World()
        async with first:
            await first.passes(50)
            await first.end("r")
            # The process dies between storing the start and routing the end.
            dated = await first.intake.dating.envelope(
                Envelope(
                    SERVER,
                    "late",
                    RELEASE_STARTED,
                    None,
                    {"release": "r", "job": "j", "owner": "o", "printer": "p", "ticket": {"pages": 1}},
                )
            )
            event = first.intake.privacy.event(dated)
            assert event is not None
            await first.store.append(event)
        async with World(first.printers, store=first.store) as again:
            await again.passes(200)
            ends = [fact for fact in await again.facts() if isinstance(fact, ReleaseEnded)]
            assert len(ends) == 1
            assert (await again.ledger()).charges[0].ended_us is not None

    passing(story())


def test_a_badge_number_is_nowhere_in_what_is_stored() -> None:
    """Also not in part, nor in hex of its text."""

    async def story() -> None:
        async with World({"a": FakePrinter(), "b": FakePrinter()}, {"a": "gw", "b": "gw"}) as world:
            await world.passes(10)
            await world.badge(BADGE, "gw")
            await world.badge(BADGE, "a-gateway-that-nobody-knows")
            await world.intake.badge_line(BadgeLine("gw", BADGE, "line", world.clock.now_us()))
            await world.start("r", 2, "a", badge=BADGE, gateway="gw")
            await world.passes(100)
            bodies = [fact_bytes(fact).decode() async for fact in world.store.all_facts()]
            bodies += [repr(segment) for name in ("a", "b") for segment in await world.store.segments(name)]
            bodies += [repr(world.intake), repr(world.counters), repr(world.troubles)]
            everything = "\n".join(bodies).lower()
            assert len(bodies) > 8
            for shape in (BADGE, BADGE[:8], BADGE[-8:], BADGE.encode().hex(), str(int(BADGE, 16))):
                assert shape.lower() not in everything
            badges = [fact async for fact in world.store.all_facts() if isinstance(fact, BadgePresented)]
            assert {fact.badge for fact in badges} == {world.badges.hashed(BADGE)}

    passing(story())


@pytest.mark.parametrize("keep", [False, True])
def test_titles_are_dropped_unless_the_site_keeps_them(keep: bool) -> None:
    async def story() -> None:
        async with World(keep_titles=keep) as world:
            await world.start("r", ticket={"title": TITLE})
            (started,) = [fact for fact in await world.facts() if isinstance(fact, ReleaseStarted)]
            assert started.ticket.title == (TITLE if keep else None)

    passing(story())


def test_a_line_handed_in_again_is_the_same_line() -> None:
    async def story() -> None:
        async with World({"p": FakePrinter()}, {"p": "gw"}) as world:
            at_us = world.clock.now_us()
            outcomes = [
                (await world.intake.badge_line(BadgeLine("gw", BADGE, "line", received_us))).outcome
                for received_us in (at_us, at_us, at_us + 1)
            ]
            assert outcomes == ["stored", "duplicate", "stored"]

    passing(story())


def test_a_line_with_a_name_of_its_own_is_one_event_and_no_other_lines() -> None:
    """A relay hands a line in again after a daemon was killed, whose next one may read its number otherwise."""

    async def story() -> None:
        async with World({"p": FakePrinter(), "q": FakePrinter()}, {"p": "gw", "q": "gw"}) as world:
            at_us = world.clock.now_us()

            async def outcome_of(name: str) -> str:
                return (await world.intake.badge_line(BadgeLine("gw", BADGE, "badges", at_us, name=name))).outcome

            assert [await outcome_of(name) for name in ("b-1-1", "b-1-1", "b-2-1")] == ["stored", "duplicate", "stored"]
            world.badges.form = BadgeForm("decimal", 32)
            assert await outcome_of("b-1-1") == "conflict"
            refused = RefusedInput("badges", "line-too-long", "gw", b"", "gw", name="b-1-2", received_us=at_us)
            await world.intake.refused(refused)
            await world.intake.refused(refused)
            facts = [one.fact for printer in ("p", "q", "") async for one in world.store.facts(printer)]
            badges = [fact for fact in facts if isinstance(fact, BadgePresented)]
            assert {fact.origin.at_us for fact in badges} == {at_us}
            assert len(badges) == 4, "two lines, each on two printers' timelines"
            assert len([fact for fact in facts if isinstance(fact, BadgeUnreadable)]) == 1

    passing(story())


@pytest.mark.parametrize("line", ["", "\x00", "a\nb", "9" * 201])
def test_a_line_that_is_no_badge_is_refused_and_counted(line: str) -> None:
    async def story() -> None:
        async with World() as world:
            with pytest.raises(BadFact):
                await world.intake.badge_line(BadgeLine("gw", line, "line", 1))
            assert world.counters.refused["line", "line"] == 1

    passing(story())


@pytest.mark.parametrize(
    ("envelope", "where"),
    [
        (Envelope(SERVER, "1", "of.no.kind", None, {}), "type"),
        (Envelope(SERVER, "1", RELEASE_STARTED, "yesterday", {}), "time"),
        (Envelope(SERVER, "1", RELEASE_STARTED, None, {}), "data.printer"),
        (Envelope(SERVER, "1", RELEASE_STARTED, None, ["a"]), "data"),
        (Envelope(SERVER, "1", PRINTER_NOTED, None, {"printer": "p", "note": "sold"}), "data.note"),
    ],
)
def test_a_bad_event_is_refused_named_and_counted_and_nothing_is_stored(envelope: Envelope, where: str) -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(1)
            known = await world.store.count_facts()
            with pytest.raises(BadFact) as refused:
                await world.intake.take(envelope, feed="http", wait_s=None)
            assert refused.value.where == where
            assert world.counters.refused["http", where] == 1
            assert await world.store.count_facts() == known

    passing(story())


def test_a_journal_that_is_unavailable_is_reported_to_the_sender_and_nothing_is_acknowledged() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            known = await world.store.count_facts()
            world.store.unavailable = "the disk is full"
            with pytest.raises(JournalUnavailable, match="disk is full"):
                await world.start("r", event="e1")
            assert await world.store.count_facts() == known
            world.store.unavailable = ""
            assert (await world.start("r", event="e1")).outcome == "stored"
            world.printers["p"].print(world.now_s, 3)
            await world.passes(2)
            await world.end("r")
            await world.passes(60)
            (one,) = (await world.ledger()).charges
            assert one.verdict is Verdict.AGREES

    passing(story())


def test_releases_of_a_stranger_are_kept_and_reported_and_its_watcher_goes() -> None:
    async def story() -> None:
        async with World() as world:
            await world.start("r", printer="misspelt")
            await world.passes(5)
            assert [one.kind for one in (await world.ledger("misspelt")).findings] == ["unknown-printer"]
            assert "misspelt" in world.registry.watchers
            await world.passes(IDLE_STRANGER_S + 5)
            assert "misspelt" not in world.registry.watchers
            await world.end("r")
            await world.passes(5)
            assert (await world.ledger("misspelt")).charges[0].ended_us is not None

    passing(story())


def test_strangers_are_limited_and_the_registered_are_not_disturbed() -> None:
    async def story() -> None:
        async with World() as world:
            for nth in range(STRANGERS_MAX):
                await world.start(f"s{nth}", printer=f"stranger-{nth}")
            accepted = await world.start("one-more", printer="one-more", wait_s=10)
            assert (accepted.outcome, accepted.reading) == ("stored", "not-waited")
            await world.release("r", 2)
            assert (await world.ledger()).charges[0].verdict is Verdict.AGREES
            assert len(world.registry.watchers) <= STRANGERS_MAX + 1
            # Those who had one leave as soon as they are done, and the next has its turn.
            assert [one.kind for one in (await world.ledger("one-more")).findings] == ["unknown-printer"]

    passing(story())


def test_at_a_stop_the_names_that_wait_for_their_turn_have_their_rows() -> None:
    async def story() -> None:
        async with World() as world:
            for nth in range(STRANGERS_MAX + 50):
                await world.start(f"s{nth}", printer=f"stranger-{nth}")
            await world.registry.stop()
            for nth in (0, STRANGERS_MAX - 1, STRANGERS_MAX, STRANGERS_MAX + 49):
                assert [one.kind for one in (await world.ledger(f"stranger-{nth}")).findings] == ["unknown-printer"]

    passing(story())


def test_a_thousand_names_that_nobody_registered_all_come_to_their_turn() -> None:
    async def story() -> None:
        async with World() as world:
            for nth in range(1_000):
                await world.start(f"s{nth}", printer=f"stranger-{nth}")
            assert len(world.registry.watchers) == STRANGERS_MAX + 1
            await world.passes(30)
            ledgers = [await world.ledger(f"stranger-{nth}") for nth in range(1_000)]
            assert all([one.kind for one in ledger.findings] == ["unknown-printer"] for ledger in ledgers)
            assert world.troubles == []
            await world.passes(IDLE_STRANGER_S + 5)
            assert list(world.registry.watchers) == ["p"]

    passing(story())
