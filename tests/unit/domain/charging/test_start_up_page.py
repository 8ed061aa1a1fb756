"""A printer that was off may make one page of its own: as many as it was off, and no other page is explained by it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.ledger import Interval, Verdict
from tests.unit.domain.story import POLICY, Story, accounts, brackets, finding, gaps, kinds


def off_while_released(counted: int, *, times: int = 1, pages: int | None = None) -> Story:
    """Four pages released; the printer restarts so many times before it prints."""
    story = Story(replace(POLICY, start_up_pages=pages))
    story.reading(-1, 100)
    story.release(0, pages=4)
    for nth in range(times):
        story.restart(10 + 20 * nth)
        story.reading(20 + 20 * nth, 100, state="warmup")
    story.ended(100)
    story.rest(110, 140, 100 + counted)
    return story


@pytest.mark.parametrize(
    ("counted", "times", "pages", "verdict", "expected"),
    [
        (4, 1, None, Verdict.AGREES, Interval(4, 4)),
        (5, 1, None, Verdict.AGREES, Interval(4, 5)),
        (6, 1, None, Verdict.SURPLUS, Interval(4, 5)),
        (3, 1, None, Verdict.SHORTFALL, Interval(4, 5)),
        (6, 2, None, Verdict.AGREES, Interval(4, 6)),
        (7, 2, None, Verdict.SURPLUS, Interval(4, 6)),
        (5, 0, None, Verdict.SURPLUS, Interval(4, 4)),
        (5, 1, 0, Verdict.SURPLUS, Interval(4, 4)),
        (5, 1, 1, Verdict.AGREES, Interval(4, 5)),
    ],
)
def test_a_release_may_have_a_page_beside_it_for_each_time_the_printer_was_off(
    counted: int, times: int, pages: int | None, verdict: Verdict, expected: Interval
) -> None:
    (bracket,) = brackets(off_while_released(counted, times=times, pages=pages).ledger())
    assert (bracket.verdict, bracket.expected) == (verdict, expected)
    assert ("start-up-page" in bracket.reasons) is (expected.most != 4)


@pytest.mark.parametrize(("counted", "kind", "pages"), [(6, "surplus", 1), (3, "shortfall", -1)])
def test_a_finding_is_about_the_pages_beyond_it(counted: int, kind: str, pages: int) -> None:
    assert finding(off_while_released(counted).ledger(), kind).pages == pages


def off_for_a_while(counted: int, policy: Policy = POLICY, times: int = 1) -> Story:
    story = Story(policy)
    story.rest(0, 60, 100, every=30)
    for nth in range(times):
        story.restart(100 + 100 * nth)
        last = nth == times - 1
        story.reading(150 + 100 * nth, 100 + counted * last, state="idle" if last else "warmup")
    return story


@pytest.mark.parametrize(
    ("counted", "times", "pages", "explained"),
    [
        (1, 1, None, True),
        (2, 1, None, False),
        # Of two restarts the first lies before the gap: the count was still the old one afterwards.
        (1, 2, None, True),
        (2, 2, None, False),
        (1, 1, 0, False),
        (1, 1, 1, True),
    ],
)
def test_a_gap_in_which_the_printer_was_off_holds_its_own_page(
    counted: int, times: int, pages: int | None, explained: bool
) -> None:
    ledger = off_for_a_while(counted, replace(POLICY, start_up_pages=pages), times).ledger()
    (gap,) = gaps(ledger)
    assert (gap.counted, "start-up-page" in gap.reasons) == (counted, explained)
    # It is nobody's page either way, and a person may look at it.
    assert accounts(ledger) == {"house:stray": counted}
    assert kinds(ledger) == ["stray-pages"]


def test_a_restart_before_the_gap_or_after_it_explains_no_page_in_it() -> None:
    before = Story()
    before.rest(0, 60, 100, every=30)
    before.restart(70)
    before.rest(100, 160, 100, every=30)
    before.reading(200, 101)
    assert [one.reasons for one in gaps(before.ledger())] == [()]
    after = Story()
    after.rest(0, 60, 100, every=30)
    after.reading(100, 101)
    after.restart(120)
    after.reading(150, 101)
    assert [one.reasons for one in gaps(after.ledger())] == [()]
