"""A fact that can't be read any more: what it leaves of its printer's rows, in one piece and in steps."""

from __future__ import annotations

import pytest

from pagereeve.domain.brackets.continuity import Step
from pagereeve.domain.brackets.timeline import Timeline
from pagereeve.domain.facts.facts import FactDamaged
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.ledger import Grade, Verdict
from pagereeve.domain.projection.projection import project
from tests.findings import text_of
from tests.unit.domain.story import PRINTER, Story, accounts, at_us, charge, finding, kinds, printed

START = "pagereeve.release.started.v1"


def damaged(story: Story, second: float, kind: str, number: int = 7) -> None:
    story._add(FactDamaged(PRINTER, at_us(second), number, kind))


def day(kind: str, second: float) -> Story:
    story = Story()
    printed(story, 0, 100, 103, pages=3)
    story.reading(99, 103)
    story.release(100, "mine", pages=4)
    damaged(story, second, kind)
    story.ended(104, "mine")
    story.rest(108, 140, 107)
    printed(story, 200, 107, 109, pages=2)
    return story


@pytest.mark.parametrize("kind", ["reading", START, "pagereeve.release.ended.v1", "what nobody knows"])
def test_what_lies_around_a_damaged_fact_is_not_judged_and_all_else_is(kind: str) -> None:
    ledger = day(kind, 101).ledger()
    assert kinds(ledger) == ["fact-damaged", "unproven-release"]
    mine = charge(ledger, "mine")
    assert (mine.grade, mine.verdict, mine.unproven, mine.charged) == (Grade.BROKEN, Verdict.UNPROVEN, 4, 0)
    for name, pages in (("r1", 3), ("r3", 2)):
        other = charge(ledger, name)
        assert (other.grade, other.verdict, other.charged) == (Grade.TIGHT, Verdict.AGREES, pages)
    assert accounts(ledger).get("house:stray", 0) == 0
    told = finding(ledger, "fact-damaged")
    assert (told.printer, told.since_us, told.severity, told.state) == (PRINTER, at_us(101), "critical", "open")
    assert "fact 7" in text_of(told)


@pytest.mark.parametrize(
    "kind",
    [
        *("read-failed", "policy", "settle-learned", "conflict"),
        *("pagereeve.badge.presented.v1", "pagereeve.printer.noted.v1", "pagereeve.finding.decided.v1"),
    ],
)
def test_what_no_count_rests_on_is_told_and_breaks_nothing(kind: str) -> None:
    ledger = day(kind, 101).ledger()
    assert kinds(ledger) == ["fact-damaged"]
    assert [charge(ledger, name).verdict for name in ("r1", "mine", "r3")] == [Verdict.AGREES] * 3


@pytest.mark.parametrize(("rested_s", "broken"), [(61, False), (59, True)])
def test_a_meter_that_rested_for_the_time_in_which_a_release_must_move_it_goes_on(rested_s: int, broken: bool) -> None:
    story = Story()
    printed(story, 0, 100, 103, pages=3)
    damaged(story, 40, START)
    story.rest(45, 40 + rested_s, 103)
    printed(story, 41 + rested_s, 103, 105, pages=2)
    ledger = story.ledger()
    assert kinds(ledger) == ["fact-damaged", *(["unproven-release"] if broken else [])]
    assert charge(ledger, "r1").verdict is Verdict.AGREES


def test_several_damaged_facts_are_each_told_and_end_one_run() -> None:
    story = day("reading", 101)
    damaged(story, 102, START, 8)
    damaged(story, 102, START, 9)
    assert kinds(story.ledger()).count("fact-damaged") == 3
    timeline = Timeline.of(PRINTER, [*story.facts, *([story.current] if story.current else [])], Rules.of(story.facts))
    assert [run.began for run in project(timeline).runs.runs] == [None, Step.DAMAGED]
