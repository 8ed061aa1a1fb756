"""A projector opened from what is stored: what came late, or was stored as the process died, changes the right rows."""

from __future__ import annotations

from collections.abc import Sequence

from pagereeve.domain.facts.facts import Decided, Fact, Origin, ReleaseEnded, ReleaseStarted
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.domain.ledger import Verdict
from pagereeve.domain.projection.projector import Ledger, replay
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.printers.loading import open_projector
from pagereeve.ports.journal import StoredFact
from pagereeve.store.memory.journal import MemoryJournal
from tests.unit.engine.virtual import passing
from tests.unit.engine.world import SERVER, World

HOUR_S = 3600


async def a_day(world: World) -> tuple[int, int]:
    """A release of three pages and one of two, with an hour of rest around each: when it began and when it was over.

    With the second release a resume point is stored that lies between the two.
    """
    await world.passes(HOUR_S)
    begun_us = world.clock.now_us()
    await world.release("r", 3)
    await world.passes(HOUR_S)
    await world.release("s", 2)
    await world.passes(HOUR_S)
    return begun_us, world.clock.now_us()


def started(at_us: int, received_us: int, release: str = "late") -> ReleaseStarted:
    ticket = Ticket(5, 1, "one-sided", 1, separator_sheets=0)
    origin = Origin(SERVER, f"{release}-{at_us}", at_us, received_us, at_us)
    return ReleaseStarted("p", origin, release, f"job-{release}", f"owner-{release}", ticket=ticket)


async def after_a_restart(first: World, *stored: Fact) -> World:
    """The process died once these facts were durable, and before anything was projected."""
    for fact in stored:
        await first.store.append(fact)
    again = World(first.printers, store=first.store, clock=first.clock)
    async with again:
        await again.passes(300)
    return again


async def resumed_us(world: World) -> int:
    projector = await open_projector(world.store, "p")
    assert projector.resume_point is not None
    return projector.resume_point.at_us


def test_a_release_that_was_stored_late_is_projected_after_the_restart() -> None:
    async def story() -> None:
        first = World()
        async with first:
            begun_us, now_us = await a_day(first)
            assert await resumed_us(first) > begun_us
        late_us = begun_us - HOUR_S * SECOND_US // 2
        again = await after_a_restart(first, started(late_us, now_us))
        ledger = await again.ledger()
        late, known, _ = ledger.charges
        assert (late.release.release, late.counted, late.verdict) == ("late", 0, Verdict.SHORTFALL)
        assert (known.release.release, known.counted, known.verdict) == ("r", 3, Verdict.AGREES)

    passing(story())


def test_a_window_that_was_open_when_the_process_died_closes_though_the_count_stands_still() -> None:
    """Its first reading is the first after the restart, and shows what was there before."""

    async def story() -> None:
        first = World()
        async with first:
            await a_day(first)
        now_us = first.clock.now_us()
        again = await after_a_restart(first, started(now_us, now_us, "unprinted"))
        stored = Ledger.of(await again.store.segments("p"))
        run = await again.store.open_run("p")
        assert run is not None
        whole = replay("p", await again.facts("p"), run.fact)
        assert (stored.charges, stored.findings) == (whole.charges, whole.findings)
        verdicts = {charge.release.release: charge.verdict for charge in stored.charges}
        assert verdicts["unprinted"] is Verdict.SHORTFALL

    passing(story())


def test_an_end_that_was_stored_late_closes_its_own_window() -> None:
    async def story() -> None:
        first = World()
        async with first:
            await first.passes(HOUR_S)
            begun_us = first.clock.now_us()
            await first.start("r", 3)
            first.printers["p"].print(first.now_s, 3)
            await first.passes(HOUR_S)
            await first.release("s", 2)
            await first.passes(HOUR_S)
            assert [one.kind for one in (await first.ledger()).findings] == ["release-never-ended"]
            now_us = first.clock.now_us()
            assert await resumed_us(first) > begun_us
        end_us = begun_us + 2 * SECOND_US
        ended = ReleaseEnded("p", Origin(SERVER, "late-end", end_us, now_us, end_us), "r", "completed")
        again = await after_a_restart(first, ended)
        ledger = await again.ledger()
        assert ledger.findings == []
        assert (ledger.charges[0].counted, ledger.charges[0].ended_us) == (3, end_us)

    passing(story())


def test_a_decision_that_was_stored_late_is_in_its_finding() -> None:
    async def story() -> None:
        first = World()
        async with first:
            await first.passes(HOUR_S)
            first.printers["p"].value += 7
            await first.passes(2 * HOUR_S)
            (stray,) = (await first.ledger()).findings
            await first.release("r", 3)
            await first.passes(HOUR_S)
            now_us = first.clock.now_us()
            assert await resumed_us(first) > stray.since_us
        decided = Decided("p", Origin("urn:invented:desk", "d", now_us, now_us), stray.id, "explain", "warden", "jam")
        again = await after_a_restart(first, decided)
        (finding,) = (await again.ledger()).findings
        assert (finding.id, finding.state, finding.reason) == (stray.id, "explained", "jam")

    passing(story())


def test_a_second_notice_of_a_release_that_lies_behind_the_resume_point_claims_nothing() -> None:
    async def story() -> None:
        first = World()
        async with first:
            begun_us, _ = await a_day(first)
            await first.start("r", 3, event="second")
            await first.passes(0.2)
            assert await resumed_us(first) > begun_us
        again = await after_a_restart(first)
        ledger = await again.ledger()
        assert [one.kind for one in ledger.findings] == ["repeated-release"]
        charged = [(one.release.release, one.charged, one.unproven) for one in ledger.charges]
        assert charged == [("r", 3, 0), ("s", 2, 0), ("r", 0, 0)]

    passing(story())


def test_what_lies_behind_the_resume_point_is_not_read_again() -> None:
    async def story() -> None:
        first = World()
        async with first:
            await a_day(first)
        projector = await open_projector(first.store, "p")
        begun = [fact.release for fact in projector._facts.values() if isinstance(fact, ReleaseStarted)]
        assert begun == ["s"]
        whole = await open_projector(first.store, "p", before_us=1)
        assert whole.resume_point is None
        assert len([fact for fact in whole._facts.values() if isinstance(fact, ReleaseStarted)]) == 2

    passing(story())


def test_a_printer_of_which_the_journal_holds_nothing_reads_nothing_when_it_begins() -> None:
    """Thousands begin at once; what comes before they have begun is handed over, and known once."""

    class Unread(MemoryJournal):
        reads = 0

        async def standing_facts(self, printer: str) -> Sequence[StoredFact]:
            self.reads += printer != ""
            return await super().standing_facts(printer)

    async def story() -> None:
        store = Unread()
        async with World(store=store) as world:
            await world.release("r", 3)
            assert store.reads == 0
            (charge,) = (await world.ledger()).charges
            assert charge.charged == 3
        async with World(store=store) as again:
            await again.passes(10)
            assert store.reads == 1
            assert len((await again.ledger()).charges) == 1

    passing(story())
