"""Every grade and every verdict, soft cuts, and what a bracket's shares are (domain/README.md, steps 4 to 6)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pagereeve.domain.brackets.allocation import Movement, largest_remainder, share_out
from pagereeve.domain.brackets.tolerances import tolerance
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.ledger import Grade, Interval, Verdict
from pagereeve.domain.values.instants import SECOND_US
from tests.unit.domain.story import POLICY, Story, accounts, brackets, charge, kinds, names_in, printed


def test_tight_is_one_release_between_fresh_cuts() -> None:
    story = Story()
    printed(story, 0, 100, 104, pages=4)
    (bracket,) = brackets(story.ledger())
    assert bracket.grade is Grade.TIGHT
    assert bracket.expected == Interval(4, 4)
    assert bracket.reasons == ()


@pytest.mark.parametrize(("age_s", "grade"), [(59, Grade.TIGHT), (61, Grade.WIDE)])
def test_wide_is_an_opening_cut_older_than_fresh(age_s: float, grade: Grade) -> None:
    story = Story()
    story.reading(-age_s - 0.1, 100)
    story.release(0, pages=4)
    story.ended(3)
    story.rest(6, 30, 104)
    assert charge(story.ledger(), "r1").grade is grade


def test_wide_is_also_a_closing_cut_long_after_the_window() -> None:
    policy = replace(POLICY, longest_us=100 * SECOND_US)
    story = Story(policy)
    story.reading(-1, 100)
    story.release(0, pages=4)
    story.ended(3)
    story.reading(6, 102, state="printing")
    story.reading(170, 104)
    assert charge(story.ledger(), "r1").grade is Grade.WIDE


def test_a_plateau_is_a_cut_at_each_of_its_instants() -> None:
    """An hour of equal readings before the release is as fresh as its last."""
    story = Story()
    story.rest(-3600, -1, 100, every=600)
    story.release(0, pages=4)
    story.ended(3)
    story.rest(6, 30, 104)
    assert charge(story.ledger(), "r1").grade is Grade.TIGHT


def test_blind_is_no_reading_before() -> None:
    story = Story()
    story.release(0, pages=4)
    story.ended(3)
    story.rest(6, 90, 104)
    ledger = story.ledger()
    one = charge(ledger, "r1")
    assert (one.grade, one.verdict, one.counted) == (Grade.BLIND, Verdict.UNPROVEN, None)
    assert "no-reading-before" in brackets(ledger)[0].reasons
    assert accounts(ledger) == {}


def test_broken_is_a_run_that_ended_inside_and_its_sure_counts_go_to_the_house() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=9)
    story.reading(4, 103, state="printing")
    story.restart(10)
    story.reading(30, 7)
    story.ended(31)
    story.rest(40, 60, 9)
    ledger = story.ledger()
    assert [(one.run, one.counted, one.grade) for one in brackets(ledger)] == [
        (1, 3, Grade.BROKEN),
        (2, 2, Grade.BROKEN),
    ]
    one = charge(ledger, "r1")
    assert (one.verdict, one.charged, one.unproven) == (Verdict.UNPROVEN, 0, 9)
    assert accounts(ledger) == {"house:unattributed": 5}
    assert kinds(ledger) == ["meter-went-back", "unproven-release"]


def test_of_a_run_that_began_and_ended_inside_all_that_it_counted_goes_to_the_house() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=30)
    story.reading(4, 103, state="printing")
    story.serial = "K2"
    for second, total in ((10, 500), (14, 501), (18, 504), (22, 508)):
        story.reading(second, total, state="printing")
    story.serial = "K3"
    story.reading(30, 7, state="printing")
    story.ended(31)
    story.rest(40, 60, 9)
    ledger = story.ledger()
    assert [(one.run, one.before, one.after, one.counted) for one in brackets(ledger)] == [
        (1, 100, 103, 3),
        (2, 500, 508, 8),
        (3, 7, 9, 2),
    ]
    assert accounts(ledger) == {"house:unattributed": 13}


@pytest.mark.parametrize(
    ("moved", "verdict"),
    [(3, Verdict.SHORTFALL), (4, Verdict.AGREES), (5, Verdict.SURPLUS)],
)
def test_a_verdict_is_counted_against_expected(moved: int, verdict: Verdict) -> None:
    story = Story()
    printed(story, 0, 100, 100 + moved, pages=4)
    assert charge(story.ledger(), "r1").verdict is verdict


def test_unproven_is_a_ticket_that_says_nothing() -> None:
    story = Story()
    printed(story, 0, 100, 104, pages=None)
    one = charge(story.ledger(), "r1")
    assert (one.verdict, one.released, one.counted, one.grade) == (Verdict.UNPROVEN, None, 4, Grade.TIGHT)


@pytest.mark.parametrize(
    ("permille", "fixed", "moved", "verdict"),
    [
        # As WAC 173-360A-0620 has it for fuel tanks: a proportional part plus a fixed one. Figures invented.
        (20, 1, 103, Verdict.AGREES),
        (20, 1, 104, Verdict.SURPLUS),
        (20, 1, 97, Verdict.AGREES),
        (20, 1, 96, Verdict.SHORTFALL),
        (0, 2, 102, Verdict.AGREES),
        (5, 0, 101, Verdict.SURPLUS),
        (10, 0, 101, Verdict.AGREES),
    ],
)
def test_tolerance_is_a_share_and_a_fixed_part(permille: int, fixed: int, moved: int, verdict: Verdict) -> None:
    story = Story(replace(POLICY, tolerance_permille=permille, tolerance_pages=fixed))
    printed(story, 0, 1000, 1000 + moved, pages=100, took_s=60)
    ledger = story.ledger()
    assert charge(ledger, "r1").verdict is verdict
    assert charge(ledger, "r1").charged == min(moved, 100)
    if verdict is Verdict.AGREES:
        assert "within-tolerance" in brackets(ledger)[0].reasons


def test_tolerance_rounds_down() -> None:
    policy = Policy(tolerance_permille=15, tolerance_pages=1)
    assert [tolerance(pages, policy) for pages in (0, 66, 67, 200)] == [1, 1, 2, 4]


def _two(first_end: float | None, inner: list[tuple[float, int, str]], after: int, **second: int) -> Story:
    """Two releases of 4 and 3 pages, eleven seconds apart, with inner readings between them."""
    story = Story()
    story.reading(-1, 100)
    story.release(0, "A", pages=4)
    if first_end is not None:
        story.ended(first_end, "A")
    story.release(11, "B", pages=second.get("pages", 3))
    story.ended(14, "B")
    for at, value, state in inner:
        story.reading(at, value, state=state)
    story.rest(18, 45, after)
    return story


RESTED = [(7.0, 104, "idle"), (9.0, 104, "idle")]


def test_a_soft_cut_splits_a_shared_bracket() -> None:
    ledger = _two(3, RESTED, 107).ledger()
    assert [(names_in(one), one.counted, one.grade) for one in brackets(ledger)] == [
        (["A"], 4, Grade.INFERRED),
        (["B"], 3, Grade.INFERRED),
    ]


def test_a_soft_cut_lets_a_surplus_fall_on_the_right_part() -> None:
    ledger = _two(3, [(7.0, 104, "idle"), (10.2, 104, "idle")], 109).ledger()
    assert charge(ledger, "A").verdict is Verdict.AGREES
    assert charge(ledger, "B").verdict is Verdict.SURPLUS


@pytest.mark.parametrize(
    ("case", "first_end", "inner"),
    [
        ("one reading is no rest", 3, [(7.0, 104, "idle")]),
        ("none of them idle", 3, [(7.0, 104, "printing"), (9.0, 104, "printing")]),
        ("the first release has no end notice", None, RESTED),
        ("its end notice came after the rest", 12, RESTED),
        ("the count does not fit", 3, [(7.0, 103, "idle"), (9.0, 103, "idle")]),
    ],
)
def test_what_is_no_soft_cut_leaves_the_bracket_shared(
    case: str, first_end: float | None, inner: list[tuple[float, int, str]]
) -> None:
    ledger = _two(first_end, inner, 107).ledger()
    (joint,) = brackets(ledger)
    assert (joint.grade, joint.verdict) == (Grade.MATCHED, Verdict.AGREES), case
    assert [charge(ledger, name).counted for name in "AB"] == [4, 3]


def test_one_idle_reading_among_equal_ones_makes_a_soft_cut() -> None:
    ledger = _two(3, [(7.0, 104, "printing"), (9.0, 104, "idle")], 107).ledger()
    assert [one.grade for one in brackets(ledger)] == [Grade.INFERRED, Grade.INFERRED]


def test_an_ambiguous_inner_rest_splits_nothing() -> None:
    """The count fits the first release alone and the first two together: nobody guesses."""
    story = Story()
    story.reading(-1, 100)
    story.release(0, "A", pages=3, sides="two-sided-long-edge")
    story.ended(2, "A")
    story.release(3, "B", pages=1, sides="two-sided-long-edge")
    story.ended(4, "B")
    story.release(5, "C", pages=6)
    story.reading(7, 104)
    story.reading(9, 104)
    story.ended(20, "C")
    story.rest(22, 45, 110)
    (joint,) = brackets(story.ledger())
    assert names_in(joint) == ["A", "B", "C"]
    assert joint.grade is Grade.MATCHED


def test_inner_readings_come_first_where_the_sum_does_not_fit() -> None:
    """What moved while only one window was open is that release's, and the rest goes by what is owed."""
    story = Story()
    story.reading(-1, 100)
    story.release(0, "A", pages=4)
    story.ended(3, "A")
    story.reading(6, 106, state="printing")
    story.release(8, "B", pages=3)
    story.ended(10, "B")
    story.rest(14, 45, 109)
    ledger = story.ledger()
    (joint,) = brackets(ledger)
    assert joint.verdict is Verdict.SURPLUS
    assert [charge(ledger, name).counted for name in "AB"] == [6, 3]
    # In a surplus the second's three pages may be copies by hand: nothing of its claim is proven.
    assert [charge(ledger, name).charged for name in "AB"] == [4, 0]
    assert [charge(ledger, name).unproven for name in "AB"] == [0, 3]
    assert accounts(ledger) == {"person:owner-A": 4, "house:unattributed": 5}
    assert {"provable-minimum", "copies-not-counted-apart"} <= set(charge(ledger, "B").reasons)


@pytest.mark.parametrize(
    ("begin_s", "counted"),
    [
        # The answer was in hand at 6.1 s: a release's first page lands a second after its start, and no sooner.
        (5.1, [6, 3]),
        (5.099, [5, 4]),
    ],
)
def test_a_release_moves_what_was_counted_after_its_first_page_may_land(begin_s: float, counted: list[int]) -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, "A", pages=4)
    story.ended(3, "A")
    story.release(begin_s, "B", pages=3)
    story.reading(6, 106, state="printing")
    story.ended(10, "B")
    story.rest(14, 45, 109)
    ledger = story.ledger()
    assert len(brackets(ledger)) == 1
    assert [charge(ledger, name).counted for name in "AB"] == counted


def test_a_release_moves_nothing_once_its_window_has_closed() -> None:
    """The first window closes at 16.1 s, by a reading of that instant; what is counted later is the second's."""
    story = Story()
    story.reading(-1, 100)
    story.release(0, "A", pages=4)
    story.ended(3, "A")
    story.reading(6, 106)
    story.release(8, "B", pages=3)
    story.ended(10, "B")
    story.reading(16.1, 106)
    story.rest(18, 45, 109)
    ledger = story.ledger()
    # What was counted before the second could print, and stood for so long, is not the second's.
    assert [(names_in(one), one.counted) for one in brackets(ledger)] == [(["A"], 6), (["B"], 3)]
    assert [charge(ledger, name).counted for name in "AB"] == [6, 3]


def cancelled_at_once(end_s: float, last_s: float) -> Story:
    """A release that is cancelled at a second, and another five seconds later; readings of nothing until a second."""
    story = Story()
    story.rest(-20, last_s, 100)
    story.release(0, "A", pages=2)
    story.ended(end_s, "A", outcome="cancelled")
    story.release(5, "B", pages=3)
    story.ended(8, "B")
    story.rest(12, 45, 103)
    return story


def test_a_rest_that_began_before_the_release_is_a_soft_cut_behind_it() -> None:
    ledger = cancelled_at_once(3, 4).ledger()
    assert [(names_in(one), one.counted, one.grade) for one in brackets(ledger)] == [
        (["A"], 0, Grade.INFERRED),
        (["B"], 3, Grade.INFERRED),
    ]


def test_the_opening_cut_itself_is_no_soft_cut() -> None:
    """Nobody read the meter after the release's end: what it printed before that, nobody saw."""
    (joint,) = brackets(cancelled_at_once(0.5, 0.9).ledger())
    assert (names_in(joint), joint.grade) == (["A", "B"], Grade.MATCHED)


@pytest.mark.parametrize(
    ("pages", "weights", "parts"),
    [
        (10, [1, 1, 1], [4, 3, 3]),
        (7, [5, 7], [3, 4]),
        (1, [1, 9], [0, 1]),
        (1, [1, 1], [1, 0]),
        (0, [3, 4], [0, 0]),
        (5, [0, 0], [3, 2]),
        (5, [0, 1], [0, 5]),
        (3, [], []),
    ],
)
def test_largest_remainder(pages: int, weights: list[int], parts: list[int]) -> None:
    assert largest_remainder(pages, weights) == parts


@pytest.mark.parametrize(
    ("counted", "expected", "parts"),
    [
        # The sum fits: each its least, and the rest by the room that is left.
        (12, [Interval(5, 5), Interval(7, 7)], [5, 7]),
        (8, [Interval(3, 4), Interval(3, 4)], [4, 4]),
        (7, [Interval(3, 4), Interval(3, 4)], [4, 3]),
        (9, [Interval(2, None), Interval(3, 3)], [6, 3]),
        (9, [Interval(2, None), Interval(3, None)], [4, 5]),
        # It does not: by what each is owed.
        (6, [Interval(5, 5), Interval(7, 7)], [3, 3]),
        (13, [Interval(5, 5), Interval(8, 8), Interval(1, 1)], [5, 7, 1]),
    ],
)
def test_shares_without_inner_readings(counted: int, expected: list[Interval], parts: list[int]) -> None:
    assert share_out(counted, expected, [])[0] == parts


def test_movements_with_one_mover_are_given_before_anything_is_shared() -> None:
    expected = [Interval(5, 5), Interval(5, 5)]
    movements = [Movement(6, (0,)), Movement(1, (0, 1)), Movement(2, ())]
    assert share_out(9, expected, movements) == ([6, 3], "share-in-proportion")
