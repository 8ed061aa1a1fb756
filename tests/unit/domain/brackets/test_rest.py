"""The count decides when a meter rests; what a rest inside a bracket proves, and what it does not."""

from __future__ import annotations

from dataclasses import replace

from pagereeve.domain.ledger import Grade, Verdict
from tests.unit.domain.story import (
    POLICY,
    Story,
    accounts,
    at_us,
    brackets,
    charge,
    finding,
    gaps,
    kinds,
    names_in,
)


def busy(last_s: float, total: int = 104, *, believed: bool = True) -> Story:
    """Four pages released; from 6 s on the count stands, and the state says *printing*."""
    story = Story()
    if not believed:
        story.learned(-10, 10, state_believed=False)
    story.reading(-1, 100)
    story.release(0, "A", pages=4)
    story.ended(3, "A")
    story.rest(6, last_s, total, state="printing")
    return story


def test_a_count_that_stands_where_it_should_is_a_rest_whatever_the_state_says() -> None:
    closes_s = 6.1 + 60
    assert charge(busy(closes_s - 0.001).ledger(), "A").closed_us is None
    ledger = busy(closes_s).ledger()
    one = charge(ledger, "A")
    assert (one.closed_us, one.verdict, one.grade) == (at_us(closes_s), Verdict.AGREES, Grade.INFERRED)
    assert "rest-by-count" in one.reasons
    assert kinds(ledger) == ["state-not-believed"]


def test_a_count_that_is_short_waits_for_more_unless_the_state_is_not_believed() -> None:
    assert charge(busy(600, 103).ledger(), "A").closed_us is None
    assert charge(busy(600, 103, believed=False).ledger(), "A").verdict is Verdict.SHORTFALL


def test_owed_pages_that_come_after_a_rest_by_count_open_the_window_again() -> None:
    story = busy(100, 103, believed=False)
    story.rest(110, 200, 104, state="printing")
    ledger = story.ledger()
    assert (charge(ledger, "A").verdict, gaps(ledger)) == (Verdict.AGREES, [])
    more = busy(100, 103, believed=False)
    more.rest(110, 200, 109, state="printing")
    ledger = more.ledger()
    assert (charge(ledger, "A").verdict, accounts(ledger)["house:stray"]) == (Verdict.SHORTFALL, 6)


def test_after_somebody_elses_start_no_window_is_opened_again() -> None:
    story = busy(100, 103, believed=False)
    story.release(105, "B", pages=1)
    story.ended(107, "B")
    story.rest(110, 200, 104, state="printing")
    ledger = story.ledger()
    assert [charge(ledger, name).verdict for name in "AB"] == [Verdict.SHORTFALL, Verdict.AGREES]


def test_a_light_under_which_pages_come_is_no_stop_and_another_is() -> None:
    lit = ("noToner",)
    story = Story()
    story.reading(-1, 100, errors=lit)
    story.release(0, "A", pages=4)
    story.ended(3, "A")
    story.rest(6, 30, 103, errors=lit)
    assert charge(story.ledger(), "A").verdict is Verdict.SHORTFALL
    held = Story()
    held.reading(-1, 100)
    held.release(0, "A", pages=4)
    held.ended(3, "A")
    held.rest(6, 30, 103, errors=lit)
    assert charge(held.ledger(), "A").closed_us is None


def two(inner_s: tuple[float, float], inner: int, after: int, *, outcome: str = "completed") -> Story:
    """Releases of 4 and 3 pages; between their windows the count stood at ``inner``."""
    story = Story()
    story.reading(-1, 100)
    story.release(0, "A", pages=4)
    story.ended(3, "A", outcome=outcome)  # type: ignore[arg-type]
    story.rest(*inner_s, inner, every=1)
    story.release(12, "B", pages=3)
    story.ended(14, "B")
    story.rest(17, 45, after)
    return story


def test_three_seconds_of_rest_prove_an_end_only_where_the_claim_is_reached() -> None:
    ledger = two((6, 9.1), 104, 109).ledger()
    assert [charge(ledger, name).verdict for name in "AB"] == [Verdict.AGREES, Verdict.SURPLUS]
    for story in (two((6, 9.099), 104, 109), two((6, 9.1), 103, 109)):
        (joint,) = brackets(story.ledger())
        assert (names_in(joint), joint.grade) == (["A", "B"], Grade.SHARED)


def test_pages_between_two_rests_behind_a_release_are_nobodys() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, "A", pages=4)
    story.ended(3, "A")
    story.rest(4, 8, 104, every=1)
    story.rest(9, 13, 106, every=1)
    story.release(13.5, "B", pages=3)
    story.ended(15, "B")
    story.rest(17, 45, 109)
    ledger = story.ledger()
    assert [charge(ledger, name).verdict for name in "AB"] == [Verdict.AGREES, Verdict.AGREES]
    assert accounts(ledger) == {"person:owner-A": 4, "person:owner-B": 3, "house:stray": 2}
    assert finding(ledger, "stray-pages").pages == 2


def test_a_rest_at_the_closing_count_does_not_charge_a_cancelled_release_with_anothers_pages() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, "A", pages=4)
    story.ended(1, "A", outcome="cancelled")
    story.release(2, "B", pages=3)
    story.rest(8, 11, 103, every=1)
    story.ended(12, "B")
    story.rest(13, 45, 103)
    ledger = story.ledger()
    (joint,) = brackets(ledger)
    assert names_in(joint) == ["A", "B"]
    assert [charge(ledger, name).charged for name in "AB"] == [0, 3]


def test_without_an_end_notice_the_next_start_stands_in_for_it() -> None:
    story = Story()
    story.reading(-1, 100)
    for nth in range(3):
        story.release(12 * nth, f"r{nth}", pages=3)
        story.rest(12 * nth + 5, 12 * nth + 11.9, 103 + 3 * nth, every=1)
    story.rest(37, 60, 109)
    ledger = story.ledger()
    assert [(names_in(one), one.verdict) for one in brackets(ledger)] == [
        ([f"r{nth}"], Verdict.AGREES) for nth in range(3)
    ]


def test_each_release_of_a_bracket_is_judged_by_its_own_policy() -> None:
    """The second started under a tolerance of a page."""
    story = Story()
    story.reading(-1, 100)
    story.release(0, "A", pages=4)
    story.set_policy(1, replace(POLICY, tolerance_pages=1))
    story.release(2, "B", pages=3)
    story.ended(4, "A")
    story.ended(5, "B")
    story.rest(8, 40, 108)
    assert brackets(story.ledger())[0].verdict is Verdict.AGREES
