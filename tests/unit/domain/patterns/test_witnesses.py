"""Counters of one channel against one another: movements, never levels."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pagereeve.domain.facts.facts import ChoiceReason, CounterChosen
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.reading import Count, Counter, Unit, UnitGrade
from pagereeve.domain.ledger import Finding, ReleaseKey, Verdict
from pagereeve.domain.patterns.witnesses import ALIKE, WitnessMemory, counters_wanted
from pagereeve.domain.projection.projector import PrinterProjector
from tests.unit.domain.story import PRINTER, SERVER, Story, brackets, charge, finding, kinds

STANDARD, MAKERS = "1.3.6.1.2.1.43.10.2.1.4.1.1", "1.3.6.1.4.1.32473.5.0"
CHOICE = CounterChosen("total", MAKERS, "moves-with-releases")


class Witnessed(Story):
    """A printer with two totals, of which the standard's is billed."""

    unit: Unit = Unit.IMPRESSIONS

    def shows(self, first: float, last: float, billed: int, witness: int | None) -> None:
        known = [Counter(STANDARD, billed, "total", "Printer-MIB", Unit.IMPRESSIONS, UnitGrade.SAID)]
        if witness is not None:
            known.append(Counter(MAKERS, witness, "total", "a maker's", self.unit, UnitGrade.SAID))
        counts = {"total": Count(billed, Unit.IMPRESSIONS, object=STANDARD)}
        self.rest(first, last, None, every=10, counts=counts, counters=tuple(known))

    def printed(self, levels: list[tuple[int, int]], pages: int = 5, first_s: float = 0) -> None:
        """A release of so many pages between each two levels, every 200 s."""
        self.shows(first_s - 30, first_s - 1, *levels[0])
        for nth, (billed, witness) in enumerate(levels[1:]):
            start_s = first_s + 200 * nth
            self.release(start_s, f"r{start_s:.0f}", pages=pages)
            self.ended(start_s + 3)
            self.shows(start_s + 8, start_s + 190, billed, witness)

    def memory(self) -> WitnessMemory:
        projector = PrinterProjector(PRINTER, Rules.of(self.facts))
        for fact in self.facts:
            projector.add(fact)
        projector.open_run(self.current)
        return projector.projected().witnesses[-1][1]


def steps(billed: int, witness: int, times: int, *, first: tuple[int, int] = (5_000, 15_232)) -> list[tuple[int, int]]:
    return [(first[0] + billed * nth, first[1] + witness * nth) for nth in range(times + 1)]


def disagreements(story: Witnessed) -> list[Finding]:
    return [one for one in story.ledger().findings if one.kind == "witnesses-disagree"]


def test_levels_that_differ_are_no_fault_while_movements_agree() -> None:
    story = Witnessed()
    story.printed(steps(5, 5, 4))
    assert kinds(story.ledger()) == []


def test_movements_that_differ_are_told_once_with_what_was_released() -> None:
    story = Witnessed()
    story.printed(steps(5, 4, 4))
    (told,) = disagreements(story)
    assert (told.state, told.severity, told.releases[0]) == ("open", "info", ReleaseKey(SERVER, "r0"))
    said = {name: told.what.value(name) for name, _ in told.what.values}
    assert said == {
        "channel": "total",
        "billed": STANDARD,
        "counted": 20,
        "witness": MAKERS,
        "moved": 16,
        "brackets": 4,
        "least": 20,
        "most": 20,
        "fits": "billed",
    }


@pytest.mark.parametrize(("level", "told"), [(0, 0), (1, 1)])
def test_a_witness_that_never_counted_says_nothing_and_one_that_stopped_does(level: int, told: int) -> None:
    story = Witnessed()
    story.printed(steps(5, 0, 4, first=(5_000, level)))
    assert len(disagreements(story)) == told


@pytest.mark.parametrize(("times", "told"), [(ALIKE - 1, 0), (ALIKE, 1)])
def test_fewer_brackets_than_three_may_be_a_counter_that_steps_late(times: int, told: int) -> None:
    story = Witnessed()
    story.printed(steps(5, 3, times))
    assert len(disagreements(story)) == told


def test_a_counter_that_steps_late_catches_up() -> None:
    story = Witnessed()
    story.printed([(100, 50), (105, 50), (110, 55), (115, 65), (120, 65), (125, 75)])
    assert disagreements(story) == []


def test_a_disagreement_that_is_over_is_closed() -> None:
    story = Witnessed()
    story.printed([*steps(5, 4, 3), *((5_015 + 5 * nth, 15_244 + 5 * nth) for nth in range(1, ALIKE + 1))])
    (told,) = disagreements(story)
    assert told.state == "closed"


def test_a_witness_that_was_reset_says_nothing_of_that_bracket() -> None:
    story = Witnessed()
    story.printed([(100, 9_000), (105, 0), (110, 5), (115, 10), (120, 15)])
    assert kinds(story.ledger()) == []


@pytest.mark.parametrize(("moved", "told"), [(2, 0), (0, 1)])
def test_of_a_counter_whose_unit_nobody_knows_only_a_standstill_disagrees(moved: int, told: int) -> None:
    story = Witnessed()
    story.unit = Unit.UNKNOWN
    story.printed(steps(5, moved, 4))
    assert len(disagreements(story)) == told


def test_a_dead_counter_gives_way_to_one_that_moves_with_the_releases() -> None:
    story = Witnessed()
    story.printed(steps(0, 5, ALIKE, first=(0, 15_232)))
    assert [one.verdict for one in brackets(story.ledger())] == [Verdict.SHORTFALL] * ALIKE
    assert counters_wanted(story.memory(), ()) == (CHOICE,)


@pytest.mark.parametrize(("billed", "witness"), [(0, 3), (5, 4), (4, 5)])
def test_one_that_moves_otherwise_than_was_released_does_not_take_its_place(billed: int, witness: int) -> None:
    """A counter that is billed and moves is a person's to change, whatever fits better."""
    story = Witnessed()
    story.printed(steps(billed, witness, 4))
    assert counters_wanted(story.memory(), ()) == ()


def test_what_a_person_chose_stays_and_what_was_chosen_waits_to_be_seen() -> None:
    story = Witnessed()
    story.printed(steps(0, 5, ALIKE, first=(0, 15_232)))
    memory = story.memory()
    persons = replace(CHOICE, object=STANDARD, reason="set-by-a-person")
    for known in ((persons,), (CHOICE,), (replace(CHOICE, object="1.3.6.1.4.1.32473.9.0"),)):
        assert counters_wanted(memory, known) == known
    assert counters_wanted(memory, (replace(persons, reason="moves-with-releases"),)) == (CHOICE,)


@pytest.mark.parametrize("chosen_s", [620.0, 700.0, 789.5])
def test_a_choice_begins_a_run_within_a_plateau_and_the_next_release_is_proven(chosen_s: float) -> None:
    story = Witnessed()
    story.printed(steps(0, 5, ALIKE, first=(0, 15_232)))
    story.shows(600, chosen_s, 0, 15_247)
    story.learned(chosen_s, 10, chosen=(CHOICE,))
    story.shows(chosen_s + 1, 800, 0, 15_247)
    story.printed([(0, 15_247), (0, 15_252), (0, 15_257)], first_s=840)
    ledger = story.ledger()
    assert (charge(ledger, "r840").verdict, charge(ledger, "r840").charged) == (Verdict.AGREES, 5)
    assert [one.run for one in brackets(ledger)] == [1, 1, 1, 2, 2]
    changed = finding(ledger, "object-changed")
    assert (changed.state, changed.evidence[-1].value("reason")) == ("closed", "moves-with-releases")
    assert finding(ledger, "witnesses-disagree").state == "closed"


@pytest.mark.parametrize("reason", ["prints-before-total", "set-by-a-person"])
def test_an_answer_without_the_chosen_counter_has_no_count_in_its_place(reason: ChoiceReason) -> None:
    story = Witnessed()
    story.learned(-100, 10, chosen=(replace(CHOICE, reason=reason),))
    story.shows(-30, -1, 100, 50)
    story.release(0, "A", pages=5)
    story.ended(3)
    story.shows(8, 8, 105, None)
    story.shows(10, 60, 105, 55)
    ledger = story.ledger()
    assert charge(ledger, "A").charged == 5
    assert [(one.before, one.after) for one in brackets(ledger)] == [(50, 55)]
    assert kinds(ledger) == []


def test_another_choice_may_follow() -> None:
    story = Witnessed()
    story.shows(-60, -40, 100, 50)
    story.learned(-35, 10, chosen=(CHOICE,))
    story.shows(-30, -20, 100, 50)
    story.learned(-15, 10)
    story.printed([(100, 50), (105, 50)])
    ledger = story.ledger()
    assert [(one.run, one.before, one.after) for one in brackets(ledger)] == [(3, 100, 105)]
    assert [one.state for one in ledger.findings] == ["closed", "closed"]
