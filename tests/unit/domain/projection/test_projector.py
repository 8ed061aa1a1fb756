"""One printer's open stretch in memory: what is stored when, what is late, and that steps equal the whole.

``Story.ledger`` itself holds replay, rebuild and increments against one another; each story here is one that once told
them apart, or could.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from pagereeve.domain.facts.facts import Decided
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.ledger import Grade, Verdict
from pagereeve.domain.projection.projector import (
    DROPPED_MAX,
    Ledger,
    PrinterProjector,
    apply_update,
    concerns_us,
    rebuild,
)
from pagereeve.domain.projection.resume_point import PROJECTION_VERSION, ResumePoint
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.instants import SECOND_US
from tests.property.keeping import Keeping
from tests.unit.domain.story import (
    POLICY,
    PRINTER,
    Story,
    accounts,
    at_us,
    charge,
    finding,
    impressions,
    kinds,
    printed,
)


def quiet(story: Story, first: float, last: float, total: int) -> None:
    story.rest(first, last, total, every=300)


def test_a_replacement_may_be_noted_a_day_later() -> None:
    story = Story()
    quiet(story, 0, 900, 100)
    story.serial = "K2"
    quiet(story, 1000, 20_000, 5)
    story.noted(20_100, "meter-replaced", "order 4711, invented")
    quiet(story, 20_200, 30_000, 5)
    assert finding(story.ledger(), "meter-replaced").state == "explained"


def test_a_note_two_days_later_explains_nothing() -> None:
    story = Story()
    quiet(story, 0, 900, 100)
    story.serial = "K2"
    quiet(story, 1000, 2000, 5)
    story.noted(2 * 86_400, "meter-replaced")
    quiet(story, 2 * 86_400 + 100, 2 * 86_400 + 900, 5)
    assert finding(story.ledger(), "meter-replaced").state == "open"


def test_facts_without_a_policy_are_judged_by_the_default_one_however_many() -> None:
    story = Story(policy=None)
    for nth in range(120):
        printed(story, 1000 * nth, 100 + 4 * nth, 104 + 4 * nth, pages=4)
    ledger = story.ledger()
    assert kinds(ledger) == []
    assert {one.verdict for one in ledger.charges} == {Verdict.AGREES}


def test_a_policy_that_comes_to_ask_for_badges_finds_those_presented_shortly_before() -> None:
    story = Story()
    quiet(story, 0, 1990, 100)
    story.badge(1995)
    story.reading(1998, 100)
    story.set_policy(1999, replace(POLICY, badge_within_us=60 * SECOND_US))
    printed(story, 2000, 100, 104, pages=4)
    assert kinds(story.ledger()) == []


def test_a_notice_whose_first_one_is_left_behind_stays_a_repeat() -> None:
    story = Story(replace(POLICY, longest_us=300 * SECOND_US))
    story.rest(0, 20, 10)
    story.release(50, "r", pages=None, event="second")
    story.release(-350, "r", pages=None, event="first")
    story.rest(55, 70, 10)
    quiet(story, 400, 3000, 10)
    ledger = story.ledger()
    assert kinds(ledger).count("repeated-release") == 1
    told = finding(ledger, "repeated-release")
    assert told.since_us == at_us(50)


def test_an_end_belongs_to_the_latest_notice_before_it_though_that_came_first_of_all() -> None:
    story = Story(replace(POLICY, longest_us=300 * SECOND_US))
    story.rest(0, 20, 10)
    story.release(20, "r", pages=None, event="second")
    story.release(-380, "r", pages=None, event="first")
    story.ended(21, "r")
    story.rest(30, 90, 10)
    ledger = story.ledger()
    assert sorted((one.started_us, one.ended_us) for one in ledger.charges) == [
        (at_us(-380), None),
        (at_us(20), at_us(21)),
    ]


def test_an_end_that_claims_to_be_before_its_start_is_kept_with_it() -> None:
    story = Story()
    story.rest(0, 20, 10)
    story.release(21, pages=2)
    story.ended(15)
    story.rest(30, 60, 12)
    assert charge(story.ledger(), "r1").ended_us == at_us(21)


def test_a_stop_that_comes_when_the_longest_wait_is_over_does_not_open_the_window_again() -> None:
    story = Story(replace(POLICY, longest_us=300 * SECOND_US, longest_stalled_us=900 * SECOND_US))
    story.reading(0, 10, state="printing", errors=("jammed",))
    story.release(-400, pages=3)
    story.rest(1, 100, 10, errors=("jammed",))
    one = charge(story.ledger(), "r1")
    assert (one.grade, one.closed_us) == (Grade.BLIND, at_us(0.1))


def test_a_channel_that_comes_and_goes_is_nobodys_before_it_came() -> None:
    story = Story()
    printed(story, 0, 100, 104, pages=4)
    quiet(story, 100, 1000, 104)
    for second in (1300, 1600):
        story.reading(second, counts=impressions(total=104, mono=60))
    quiet(story, 1900, 3000, 106)
    story.reading(3100, counts=impressions(total=109, mono=63))
    quiet(story, 3200, 4000, 109)
    ledger = story.ledger()
    assert [one.channel for one in ledger.charges] == ["total"]
    assert accounts(ledger, "mono") == {"house:stray": 3}


def test_a_printer_with_fewer_channels_takes_the_place_of_one_with_more() -> None:
    """What was under way in the lost channel ends with the new printer's first cut, and later releases have none."""
    story = Story()
    story.reading(-1, counts=impressions(total=100, mono=60))
    story.release(0, "a", pages=4)
    story.reading(3, counts=impressions(total=102, mono=61), state="printing")
    story.ended(4, "a")
    story.serial = "K2"
    story.rest(20, 60, 900)
    for nth in range(40):
        printed(story, 200 + 200 * nth, 900 + 2 * nth, 902 + 2 * nth, pages=2)
    ledger = story.ledger()
    assert charge(ledger, "a", "mono").grade is Grade.BROKEN
    assert [one.release.release for one in ledger.charges if one.channel == "mono"] == ["a"]
    assert accounts(ledger, "mono") == {"house:unattributed": 1}
    keeping = Keeping(PRINTER)
    for fact, current in story.steps:
        keeping.take(fact, current)
    assert len(keeping.projector._facts) < 20


@pytest.mark.parametrize("twice", [False, True])
def test_an_end_that_comes_an_hour_after_the_pages_belongs_to_its_release_in_a_rebuild_too(twice: bool) -> None:
    """Many readings lie between them, each a fact: a rebuild must not have left the start behind when it meets the end.

    ``twice``: the start notice came once more under another id, which changes nothing.
    """
    story = Story()
    story.reading(-1, 100)
    story.release(0, "r", pages=4)
    if twice:
        story.release(1, "r", pages=4, event="again")
    story.rest(6, 40, 104)
    for nth in range(300):
        story.reading(100 + 12 * nth, 104, errors=("lowToner",) * (nth % 2))
    story.ended(3700, "r")
    story.rest(3710, 3800, 104)
    ledger = story.ledger()
    one = charge(ledger, "r")
    assert (one.counted, one.ended_us, one.closed_us) == (4, at_us(3700), at_us(3710))
    assert kinds(ledger) == (["repeated-release"] if twice else [])


def test_a_long_history_leaves_a_small_projector() -> None:
    keeping = Keeping(PRINTER)
    story = Story()
    sizes = []
    for nth in range(100):
        printed(story, 300 * nth, 100 + nth, 101 + nth, pages=1)
        steps, story.steps = story.steps, []
        for fact, current in steps:
            keeping.take(fact, current)
        sizes.append(len(keeping.projector._facts))
    assert max(sizes) < 20
    assert keeping.rewinds == 0
    assert len(keeping.ledger().charges) == 100


def test_a_sleeper_that_makes_many_facts_and_no_rows_stores_a_resume_point_now_and_then() -> None:
    story = Story()
    keeping = Keeping(PRINTER)
    for nth in range(DROPPED_MAX * 2):
        story.reading(600 * nth, 100)
        story.failed(600 * nth + 300)
    for fact, current in story.steps:
        keeping.take(fact, current)
    assert len(keeping.projector._facts) < 10
    assert 2 <= len(keeping.segments) <= 8


def test_nothing_new_is_nothing_to_store() -> None:
    story = Story()
    printed(story, 0, 100, 104, pages=4)
    projector = PrinterProjector(PRINTER, Rules.of(story.facts))
    for fact in story.facts:
        projector.add(fact)
    projector.open_run(story.current)
    assert projector.advance() is not None
    assert projector.advance() is None
    story.reading(31, 104)
    projector.open_run(story.current)
    assert projector.advance() is None


def test_a_resume_point_survives_its_json() -> None:
    resume_point = next(
        segment.resume_point for segment in rebuild(PRINTER, _history().facts) if segment.resume_point is not None
    )
    again = ResumePoint.from_json(resume_point)
    assert again.to_json() == resume_point
    assert again.identity.serial == "K1"
    assert dict(again.totals).keys() == {"total"}


@pytest.mark.parametrize("version", [0, PROJECTION_VERSION - 1, PROJECTION_VERSION + 1, None])
def test_a_resume_point_of_another_version_is_refused(version: int | None) -> None:
    resume_point = next(
        segment.resume_point for segment in rebuild(PRINTER, _history().facts) if segment.resume_point is not None
    )
    with pytest.raises(BadFact, match="version"):
        ResumePoint.from_json(resume_point | {"version": version})


def test_an_update_takes_the_place_of_what_lies_behind_its_anchor() -> None:
    keeping = Keeping(PRINTER, 0)
    for fact, current in _history().steps:
        keeping.take(fact, current)
    whole = keeping.ledger()
    anchors = sorted(keeping.segments)
    assert len(anchors) > 3
    keeping.begin_again(anchors[2])
    update = keeping.projector.advance()
    assert update is not None
    assert update.from_anchor_us <= anchors[2]
    apply_update(keeping.segments, update)
    assert keeping.ledger() == whole


def test_the_rows_of_a_ledger_are_in_a_fixed_order_whatever_the_segments() -> None:
    segments = rebuild(PRINTER, _history().facts)
    assert Ledger.of(reversed(segments)) == Ledger.of(segments)


def test_which_instant_a_fact_concerns() -> None:
    story = Story()
    key = story.release(100, "r")
    story.ended(200, "r")
    story.noted(300, "meter-replaced")
    story.noted(400, "maintenance-begun")
    story.decided(500, "f-000000000000", "close")
    _, start, end, replaced, begun, decided = story.facts
    assert key.release == "r"
    assert concerns_us(start) == at_us(100)
    assert concerns_us(end, [start]) == at_us(100)  # type: ignore[list-item]
    assert concerns_us(replaced) == at_us(300 - 86_400)
    assert concerns_us(begun) == at_us(400)
    assert isinstance(decided, Decided)
    assert concerns_us(decided) < at_us(0)


def _history() -> Story:
    story = Story()
    for nth in range(60):
        printed(story, 400 * nth, 100 + nth, 101 + nth, pages=1)
    story.reading(30_000, 160)
    return story
