"""A printer whose billed counter is dead teaches which of its counters lives, and its later releases agree."""

from __future__ import annotations

from dataclasses import replace

from pagereeve.domain.facts.facts import CounterChosen, SettleLearned
from pagereeve.domain.facts.reading import Count, Counter, Sight, Unit, UnitGrade
from pagereeve.domain.ledger import Verdict
from tests.unit.engine.virtual import passing
from tests.unit.engine.world import FakePrinter, World

STANDARD, MAKERS = "1.3.6.1.2.1.43.10.2.1.4.1.1", "1.3.6.1.4.1.32473.5.0"


class DeadTotal(FakePrinter):
    """The standard's total stands at 0; a maker's counts."""

    def sight(self, now_s: float) -> Sight:
        sight = super().sight(now_s)
        unit, said = Unit.IMPRESSIONS, UnitGrade.SAID
        counters = (
            Counter(STANDARD, 0, "total", "Printer-MIB", unit, said),
            Counter(MAKERS, self.value, "total", "own", unit, said),
        )
        return replace(sight, counts=(("total", Count(0, unit, object=STANDARD)),), counters=counters)


def test_after_three_releases_that_a_dead_counter_missed_the_living_one_is_billed() -> None:
    async def story() -> None:
        async with World(printers={"p": DeadTotal(15_232)}) as world:
            await world.passes(100)
            for nth in range(5):
                await world.release(f"r{nth}", 3)
                await world.passes(300)
            learned = [fact for fact in await world.facts() if isinstance(fact, SettleLearned)]
            assert [fact.chosen for fact in learned] == [(CounterChosen("total", MAKERS, "moves-with-releases"),)]
            ledger = await world.ledger()
            verdicts = {one.release.release: (one.verdict, one.charged) for one in ledger.charges}
            assert verdicts["r2"] == (Verdict.SHORTFALL, 0)
            assert verdicts["r3"] == verdicts["r4"] == (Verdict.AGREES, 3)
            assert {one.kind: one.state for one in ledger.findings} == {
                "shortfall": "open",
                "meter-stands-still": "closed",
                "witnesses-disagree": "closed",
                "object-changed": "closed",
            }
            assert world.troubles == []

    passing(story())
