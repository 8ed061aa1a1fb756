"""Prints before the total, where brackets prove it; what the whole meter counted stays in an account of its own."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pagereeve.domain.brackets.conservation import conserved
from pagereeve.domain.facts.facts import CounterChosen
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.reading import Count, Counter, Unit, UnitGrade
from pagereeve.domain.ledger import OTHER_FUNCTION, Verdict
from pagereeve.domain.patterns.choices import NOTHING_SHOWN, Shown, choices_wanted
from pagereeve.domain.patterns.prints_proof import BRACKETS_LEAST, NO_PROOF, PrintsProof, prints_wanted
from pagereeve.domain.patterns.witnesses import NO_WITNESSES
from pagereeve.domain.projection.projection import Projected
from pagereeve.domain.projection.projector import PrinterProjector
from tests.unit.domain.story import PRINTER, Story, brackets, charge, finding, kinds

TOTAL, PRINTS, MAKERS = "1.3.6.1.2.1.43.10.2.1.4.1.1", "1.3.6.1.4.1.32473.5.1", "1.3.6.1.4.1.32473.5.9"
CHOICE = CounterChosen("total", PRINTS, "prints-before-total")
DEFAULT = CounterChosen("total", TOTAL, "standard-default")
PERSONS = CounterChosen("total", MAKERS, "set-by-a-person")
PROOF = PrintsProof(1, TOTAL, PRINTS, BRACKETS_LEAST)


class Copied(Story):
    """A meter with a total and prints; somebody copies now and then."""

    def shows(self, first: float, last: float, total: int, prints: int) -> None:
        figures = (("total", TOTAL, total), ("prints", PRINTS, prints))
        counters = tuple(
            Counter(name, value, channel, "own", Unit.IMPRESSIONS, UnitGrade.SAID) for channel, name, value in figures
        )
        counts = {channel: Count(value, Unit.IMPRESSIONS, object=name) for channel, name, value in figures}
        self.rest(first, last, None, every=10, counts=counts, counters=counters)

    def printed(self, levels: list[tuple[int, int]], pages: int = 5, first_s: float = 0) -> None:
        self.shows(first_s - 30, first_s - 1, *levels[0])
        for nth, (total, prints) in enumerate(levels[1:]):
            start_s = first_s + 200 * nth
            self.release(start_s, f"r{start_s:.0f}", pages=pages)
            self.ended(start_s + 3)
            self.shows(start_s + 8, start_s + 190, total, prints)

    def projected(self) -> Projected:
        projector = PrinterProjector(PRINTER, Rules.of(self.facts), hold_back_us=2**62)
        for fact in self.facts:
            projector.add(fact)
        projector.open_run(self.current)
        return projector.projected()

    def proof(self) -> PrintsProof:
        states = self.projected().prints
        return states[-1][1] if states else NO_PROOF


def steps(total: int, prints: int, times: int) -> list[tuple[int, int]]:
    return [(5_000 + total * nth, 4_000 + prints * nth) for nth in range(times + 1)]


@pytest.mark.parametrize(("times", "proven"), [(BRACKETS_LEAST - 1, False), (BRACKETS_LEAST, True)])
def test_brackets_in_which_prints_moved_as_released_and_the_total_by_more_are_a_proof(
    times: int, *, proven: bool
) -> None:
    story = Copied()
    story.printed(steps(7, 5, times))
    assert story.proof().is_proven is proven
    assert prints_wanted(story.proof(), ()) == ((CHOICE,) if proven else ())


@pytest.mark.parametrize(("total", "prints"), [(5, 5), (7, 4), (7, 0), (7, 7)])
def test_a_total_without_copies_and_prints_that_move_otherwise_prove_nothing(total: int, prints: int) -> None:
    story = Copied()
    story.printed(steps(total, prints, 5))
    assert not story.proof().brackets


def test_one_bracket_in_which_prints_moved_otherwise_begins_the_proof_anew() -> None:
    story = Copied()
    story.printed([*steps(7, 5, 2), (5_021, 4_012), (5_028, 4_017), (5_035, 4_022)])
    assert story.proof().brackets == BRACKETS_LEAST - 1


@pytest.mark.parametrize("chosen_s", [620.0, 700.0, 789.5])
def test_proven_prints_are_billed_and_what_the_whole_meter_counts_stays_in_sight(chosen_s: float) -> None:
    story = Copied()
    story.printed(steps(7, 5, 3))
    story.shows(600, chosen_s, 5_021, 4_015)
    story.learned(chosen_s, 10, chosen=(CHOICE,))
    story.shows(chosen_s + 1, 800, 5_021, 4_015)
    story.printed([(5_021, 4_015), (5_028, 4_020), (5_035, 4_025), (5_042, 4_030), (5_052, 4_030)], first_s=840)
    ledger, everything = story.ledger(), story.projected()
    mine = charge(ledger, "r840")
    assert (mine.verdict, mine.counted, mine.charged) == (Verdict.AGREES, 5, 5)
    assert [one.run for one in brackets(ledger)] == [1, 1, 1, 2, 2, 2, 2]
    changed = finding(ledger, "object-changed")
    assert (changed.state, changed.evidence[-1].value("reason")) == ("closed", "prints-before-total")
    assert "witnesses-disagree" not in kinds(ledger)
    whole = [one for one in ledger.postings if one.channel == "whole"]
    assert -sum(one.legs[0][1] for one in whole) == 31
    assert sum(pages for one in whole for account, pages in one.legs if account == OTHER_FUNCTION) == 6
    lines = conserved(PRINTER, everything.runs.runs, everything.windows, ledger.postings)
    assert {line.channel for line in lines} == {"total", "prints", "whole"}
    assert all(line.ok for line in lines)


def test_the_standards_own_counter_is_put_on_record_and_binds_nothing() -> None:
    assert choices_wanted((), NO_WITNESSES, NO_PROOF, "", Shown(TOTAL)) == (DEFAULT,)
    assert choices_wanted((DEFAULT,), NO_WITNESSES, NO_PROOF, "", NOTHING_SHOWN) == (DEFAULT,)
    assert choices_wanted((DEFAULT,), NO_WITNESSES, NO_PROOF, "", Shown(MAKERS)) == ()
    story = Copied()
    story.learned(-20, 10, chosen=(replace(DEFAULT, object="1.3.6.1.2.1.43.10.2.1.4.1.2"),))
    story.printed(steps(5, 5, 1))
    assert [(one.run, one.counted) for one in brackets(story.ledger())] == [(1, 5)]


def test_a_person_s_word_goes_before_a_proof_and_both_before_the_default() -> None:
    shown = Shown(TOTAL, (TOTAL, PRINTS, MAKERS))
    assert choices_wanted((DEFAULT,), NO_WITNESSES, PROOF, "", shown) == (CHOICE,)
    assert choices_wanted((DEFAULT,), NO_WITNESSES, PROOF, MAKERS, shown) == (PERSONS,)
    assert choices_wanted((CHOICE,), NO_WITNESSES, PROOF, MAKERS, shown) == (PERSONS,)
    assert choices_wanted((PERSONS,), NO_WITNESSES, NO_PROOF, "", shown) == ()


def test_a_counter_that_no_reading_shows_is_not_chosen_whoever_names_it() -> None:
    shown = Shown(TOTAL, (TOTAL,))
    assert choices_wanted((DEFAULT,), NO_WITNESSES, NO_PROOF, MAKERS, shown) == (DEFAULT,)
    assert choices_wanted((PERSONS,), NO_WITNESSES, NO_PROOF, MAKERS, NOTHING_SHOWN) == (PERSONS,)
