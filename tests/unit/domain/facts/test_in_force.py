"""What is in force when, and how readings are recorded."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pagereeve.domain.facts.facts import PlateauRead, ReadFailed
from pagereeve.domain.facts.in_force import BADGE_REACH_LEAST_US, Rules
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.instants import SECOND_US, from_text, to_text
from tests.unit.domain.story import POLICY, Story, at_us

LATER = replace(POLICY, tolerance_pages=7)


def test_the_policy_in_force_is_the_last_one_set_and_before_the_first_the_first() -> None:
    story = Story()
    story.set_policy(100, LATER)
    rules = Rules.of(story.facts)
    assert rules.registered
    assert rules.policy_at(at_us(99)) == POLICY
    assert rules.policy_at(at_us(100)) == LATER
    assert rules.policy_at(at_us(-(10**6))) == POLICY
    assert not Rules().registered
    assert Rules().policy_at(0) == Policy()


def test_a_rule_told_twice_or_in_another_order_is_the_same_rule() -> None:
    story = Story()
    story.set_policy(100, LATER)
    story.learned(50, 20)
    story.noted(60, "maintenance-begun")
    story.decided(70, "f", "close")
    assert Rules.of([*reversed(story.facts), *story.facts]) == Rules.of(story.facts)


def test_what_is_no_rule_is_left_to_others() -> None:
    story = Story()
    story.reading(0, 1)
    story.failed(10)
    story.release(20)
    rules = Rules()
    assert [rules.add(fact) for fact in story.facts] == [True, False, False]


def test_a_learnt_settle_time_lengthens_and_never_shortens() -> None:
    story = Story()
    story.learned(10, 3)
    story.learned(20, 40)
    story.learned(30, 15)
    rules = Rules.of(story.facts)
    seconds = [rules.settle_us(at_us(second)) // SECOND_US for second in (5, 15, 25, 35)]
    assert seconds == [10, 10, 40, 15]
    # And when it was learnt is known only while it is the one in force.
    learned = [rules.settle_learned_us(at_us(second)) for second in (5, 10, 19, 20, 29, 30)]
    assert learned == [None, None, None, at_us(20), at_us(20), at_us(30)]


def test_a_learnt_settle_time_that_equals_the_policys_is_the_policys() -> None:
    story = Story()
    story.learned(10, POLICY.settle_us / SECOND_US)
    rules = Rules.of(story.facts)
    assert rules.settle_us(at_us(10)) == POLICY.settle_us
    assert rules.settle_learned_us(at_us(10)) is None


def test_a_note_explains_what_lies_between_two_instants_both_included() -> None:
    story = Story()
    story.noted(10, "meter-replaced")
    rules = Rules.of(story.facts)
    spans = [(9, 11), (10, 11), (9, 10), (11, 12), (8, 9)]
    found = [rules.noted_between("meter-replaced", at_us(first), at_us(last)) for first, last in spans]
    assert [note is not None for note in found] == [True, True, True, False, False]
    assert rules.noted_between("moved", at_us(9), at_us(11)) is None


def test_time_from_the_note_on_was_maintained_and_time_after_its_end_was_not() -> None:
    story = Story()
    story.noted(10, "maintenance-begun")
    story.noted(20, "maintenance-ended")
    rules = Rules.of(story.facts)
    spans = [(0, 9), (0, 10), (10, 11), (15, 30), (20, 30), (21, 30)]
    maintained = [rules.maintained(at_us(first), at_us(last)) for first, last in spans]
    assert maintained == [False, True, True, True, False, False]


def test_the_last_reason_given_is_the_reason_of_a_finding() -> None:
    story = Story()
    story.decided(10, "f", "close", "maintenance")
    story.decided(20, "f", "close", "jam")
    story.decided(30, "f", "explain")
    story.decided(40, "g", "close", "maintenance")
    rules = Rules.of(story.facts)
    assert (rules.reason_for("f"), rules.reason_for("g"), rules.reason_for("h")) == ("jam", "maintenance", "")


def test_maintenance_lasts_from_its_note_to_the_next() -> None:
    story = Story()
    story.noted(10, "maintenance-begun")
    story.noted(15, "moved")
    story.noted(20, "maintenance-ended")
    rules = Rules.of(story.facts)
    assert [rules.maintenance_since_us(at_us(second)) for second in (9, 20, 99)] == [None, None, None]
    assert [rules.maintenance_since_us(at_us(second)) for second in (10, 16)] == [at_us(10), at_us(10)]


def test_a_maintenance_whose_end_nobody_notes_is_over_after_a_day() -> None:
    story = Story()
    story.noted(10, "maintenance-begun")
    rules, day_s = Rules.of(story.facts), 24 * 3600
    spans = [(day_s, day_s + 9), (day_s + 9, day_s + 30), (day_s + 10, day_s + 30)]
    assert [rules.maintained(at_us(first), at_us(last)) for first, last in spans] == [True, True, False]


def test_a_note_of_test_pages_stands_for_what_begins_to_come_as_soon_as_a_releases_pages_would() -> None:
    story = Story()
    story.noted(10, "test-pages")
    rules = Rules.of(story.facts)
    waited_s = POLICY.unmoved_us / 1_000_000
    spans = [(0, 9), (0, 10), (10, 20), (10 + waited_s, 200), (10.1 + waited_s, 200)]
    said = [rules.noted_work(at_us(first), at_us(last)) for first, last in spans]
    assert said == ["", "test-pages", "test-pages", "test-pages", ""]
    assert Rules().noted_work(at_us(0), at_us(99)) == ""


def test_badges_are_kept_for_an_hour_or_as_long_as_any_policy_asks() -> None:
    story = Story()
    assert Rules.of(story.facts).badge_reach_us() == BADGE_REACH_LEAST_US == 3600 * SECOND_US
    story.set_policy(5, replace(POLICY, badge_within_us=2 * BADGE_REACH_LEAST_US))
    assert Rules.of(story.facts).badge_reach_us() == 2 * BADGE_REACH_LEAST_US


def test_equal_answers_are_one_plateau_and_equal_failures_one_silence() -> None:
    story = Story()
    story.rest(0, 60, 100, every=10)
    story.failed(70, tries=4)
    story.failed(90, "refused")
    story.reading(100, 100)
    plateau, timeouts, refused = (fact for fact in story.facts if isinstance(fact, PlateauRead | ReadFailed))
    assert isinstance(plateau, PlateauRead)
    assert (plateau.plateau.count, plateau.plateau.last_sent_us) == (7, at_us(60))
    assert isinstance(timeouts, ReadFailed)
    assert isinstance(refused, ReadFailed)
    assert (timeouts.silence.count, refused.silence.count) == (4, 1)
    assert isinstance(story.current, PlateauRead)


@pytest.mark.parametrize("change", ["value", "state", "serial", "errors", "restart"])
def test_what_ends_a_plateau(change: str) -> None:
    story = Story()
    story.rest(0, 20, 100)
    match change:
        case "value":
            story.reading(30, 101)
        case "state":
            story.reading(30, 100, state="printing")
        case "serial":
            story.reading(30, 100, serial="K2")
        case "errors":
            story.reading(30, 100, errors=("lowToner",))
        case _:
            story.restart(25)
            story.reading(30, 100)
    assert [fact.plateau.count for fact in story.facts if isinstance(fact, PlateauRead)] == [5]


@pytest.mark.parametrize(
    ("text", "instant_us"),
    [
        ("1970-01-01T00:00:00Z", 0),
        ("2026-01-31T09:00:00.123456789Z", 1_769_850_000_123_456),
        ("2026-01-31t10:00:00+01:00", 1_769_850_000_000_000),
        ("1969-12-31T23:59:59.5Z", -500_000),
        ("0500-01-01T00:00:00Z", -46_388_678_400_000_000),
        ("0001-01-01T00:00:00Z", -62_135_596_800_000_000),
    ],
)
def test_an_instant_of_rfc_3339(text: str, instant_us: int) -> None:
    assert from_text(text) == instant_us
    assert from_text(to_text(instant_us)) == instant_us


@pytest.mark.parametrize(
    "text",
    ["", "now", "2026-01-31", "2026-01-31T09:00:00", "2026-02-30T09:00:00Z", "2026-01-31T25:00:00Z",
     "2026-01-31T09:00:60Z", "2026-01-31 09:00:00Z", "٢٠٢٦-01-31T09:00:00Z",
     "0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59-00:01"],
)  # fmt: skip
def test_what_is_no_instant_is_refused_and_quoted(text: str) -> None:
    with pytest.raises(BadFact, match="time"):
        from_text(text)
