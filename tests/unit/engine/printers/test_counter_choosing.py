"""A printer whose billed counter is dead teaches which of its counters lives, and its later releases agree."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from pagereeve.domain.facts.facts import CounterChosen, Fact, SettleLearned
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
            assert [fact.chosen for fact in learned] == [
                (CounterChosen("total", STANDARD, "standard-default"),),
                (CounterChosen("total", MAKERS, "moves-with-releases"),),
            ]
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


class TwoCounters(FakePrinter):
    """The standard's total, and a maker's that counts the same."""

    def sight(self, now_s: float) -> Sight:
        sight = super().sight(now_s)
        known = Counter(STANDARD, self.value, "total", "Printer-MIB", Unit.IMPRESSIONS, UnitGrade.SAID)
        counters = (known, replace(known, object=MAKERS, value=self.value + 100, source="own"))
        return replace(
            sight, counts=(("total", Count(self.value, Unit.IMPRESSIONS, object=STANDARD)),), counters=counters
        )


def chosen_in(facts: Iterable[Fact]) -> list[tuple[tuple[str, str], ...]]:
    learned = (fact for fact in facts if isinstance(fact, SettleLearned))
    return [tuple((one.object, one.reason) for one in fact.chosen) for fact in learned]


def test_a_counter_that_the_settings_name_is_billed_from_then_on_and_no_longer_once_they_do_not() -> None:
    async def story() -> None:
        async with World(printers={"p": TwoCounters(5_000)}) as world:
            await world.passes(100)
            watcher = world.watcher("p")
            target, policy = watcher.target, watcher.policy
            assert target is not None
            assert policy is not None
            for counter in ("1.3.6.1.4.1.32473.9.0", MAKERS, ""):
                watcher.change(replace(target, counter=counter), policy, "", read=True)
                await world.passes(1_000)
            assert chosen_in(await world.facts()) == [
                ((STANDARD, "standard-default"),),
                ((MAKERS, "set-by-a-person"),),
                (),
                ((STANDARD, "standard-default"),),
            ]
            ledger = await world.ledger()
            assert [(one.kind, one.state) for one in ledger.findings] == [("object-changed", "closed")] * 2
            assert world.troubles == []

    passing(story())
