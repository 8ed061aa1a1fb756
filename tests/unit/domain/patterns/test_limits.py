"""What shows over many brackets, on its limits: one page, one job or one difference on either side."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pagereeve.domain.brackets.hypotheses import HYPOTHESES
from pagereeve.domain.ledger import ReleaseKey
from pagereeve.domain.patterns.bias import (
    ALARM,
    CEILING,
    EXCURSION,
    OTHERS_MAX,
    SLACK,
    BiasStep,
    Excursion,
    after,
    signs_after,
)
from pagereeve.domain.patterns.diagnosis import DIFFERENCE, RECENT_MAX, Difference, diagnose, remembered
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.fields import Fields
from tests.unit.domain.patterns.test_patterns import of_kind, still

KEY = ReleaseKey("urn:invented:server", "r")
BANNER, TWICE = "banner-sheet", "copies-twice"


def held(level: int, *, pages: int = 7, squares: int = 7, alarmed: bool = False) -> Excursion:
    return Excursion(level, pages, squares, 5, 1, 2, KEY, KEY, alarmed)


def step(pages: int, tolerance: int = 100) -> BiasStep:
    return BiasStep(pages, tolerance, 3, ReleaseKey("urn:invented:server", "s"))


@pytest.mark.parametrize(("before", "alarmed"), [(ALARM - 79, True), (ALARM - 80, False), (ALARM - 81, False)])
def test_it_is_a_bias_only_above_the_alarm(before: int, alarmed: bool) -> None:
    one = after(held(before), step(1, tolerance=1), 1, "+++")
    assert one is not None
    assert one.level == before + 100 - SLACK
    assert one.alarmed is alarmed


@pytest.mark.parametrize(
    ("signs", "squares", "alarmed"),
    [
        # 4 x 10^2 must be above 25 x the sum of squares while one sign is alone, above 64 x where both are there.
        ("+++", 14, True),
        ("+++", 15, False),
        ("+-+", 14, True),
        ("-+--", 14, True),
        ("+-+-", 14, False),
        ("+-+-", 5, True),
        ("+-+-", 6, False),
    ],
)
def test_it_is_a_bias_only_if_its_sum_is_no_noise(signs: str, squares: int, alarmed: bool) -> None:
    one = after(held(ALARM, pages=9, squares=squares), step(1, tolerance=1), 1, signs)
    assert one is not None
    assert (one.pages, one.squares) == (10, squares + 1)
    assert one.alarmed is alarmed


def test_one_sum_equal_to_the_limit_is_no_bias() -> None:
    # 4 x 5^2 = 25 x 4.
    one = after(held(ALARM, pages=4, squares=3), step(1, tolerance=1), 1, "+++")
    assert one is not None
    assert (one.level > ALARM, one.alarmed) == (True, False)


def test_a_level_stays_between_nothing_and_the_ceiling() -> None:
    assert after(None, step(SLACK), 1, "+") is None
    first = after(None, step(SLACK + 1), 1, "+")
    assert first is not None
    assert (first.level, first.pages, first.squares, first.brackets) == (1, 21, 441, 1)
    assert after(held(SLACK), step(0), 1, "") is None
    assert after(held(SLACK + 1), step(0), 1, "") is not None
    full = after(held(CEILING), step(1, tolerance=1), 1, "+")
    assert full is not None
    assert full.level == CEILING


def test_a_step_counts_in_hundredths_of_its_tolerance_and_for_its_own_sign() -> None:
    up, down = after(held(100), step(50), 1, "+"), after(held(100), step(50), -1, "+")
    assert (up and up.level, down and down.level) == (130, 30)
    up, down = after(held(100), step(-50), 1, "-"), after(held(100), step(-50), -1, "-")
    assert (up and up.level, down and down.level) == (30, 130)
    # Rounded towards 0: a third of a page is 33 hundredths either way. Without a tolerance a page is a page.
    assert [
        one and one.level for one in (after(held(100), step(1, 3), 1, "+"), after(held(100), step(-1, 3), -1, "-"))
    ] == [113, 113]
    none = after(held(100), step(1, 0), 1, "+")
    assert none is not None
    assert none.level == 180


def test_an_alarmed_sum_keeps_its_figures_and_moves_its_level_alone() -> None:
    before = held(ALARM, alarmed=True)
    assert after(before, step(1, tolerance=1), 1, "+") == replace(before, level=ALARM + 80)
    grown = after(held(100), step(3), 1, "+")
    assert grown is not None
    assert (grown.pages, grown.squares, grown.brackets, grown.first_us, grown.last_us) == (10, 16, 6, 1, 3)
    assert (grown.first.release, grown.last.release) == ("r", "s")


def test_a_difference_of_one_page_has_a_sign_and_none_has_none() -> None:
    assert [signs_after("+", step(pages)) for pages in (1, 0, -1)] == ["++", "+", "+-"]
    assert signs_after("+" * 31, step(-1)) == "+" * 31 + "-"
    assert signs_after("+" * 32, step(-1)) == "+" * 31 + "-"
    assert OTHERS_MAX == 1


@pytest.mark.parametrize("name", ["level", "squares", "brackets", "alarmed"])
def test_a_stored_sum_is_refused_below_and_above_its_bounds(name: str) -> None:
    stored = EXCURSION.write(held(5))
    most = {"level": CEILING, "alarmed": 1}.get(name, 2**53 - 1)
    for value in (0, most):
        assert EXCURSION.write(EXCURSION.read(Fields(stored | {name: value}, "up"))) == stored | {name: value}
    for value in (-1, most + 1):
        with pytest.raises(BadFact, match=name):
            EXCURSION.read(Fields(stored | {name: value}, "up"))
    for value in (-(2**53) + 1, 2**53 - 1):
        assert EXCURSION.read(Fields(stored | {"pages": value}, "up")).pages == value
    for value in (-(2**53), 2**53):
        with pytest.raises(BadFact, match="pages"):
            EXCURSION.read(Fields(stored | {"pages": value}, "up"))


@pytest.mark.parametrize("pair", [[], ["a"], ["a", "b", "c"]])
def test_a_releases_name_is_a_pair(pair: list[str]) -> None:
    stored = EXCURSION.write(held(5))
    assert EXCURSION.read(Fields(stored | {"first": ["a", "b"]}, "up")).first == ReleaseKey("a", "b")
    with pytest.raises(BadFact, match="first"):
        EXCURSION.read(Fields(stored | {"first": pair}, "up"))


def differing(count: int, *names: str) -> list[Difference]:
    return [Difference(nth, tuple(names), (), KEY, 5, 4) for nth in range(count)]


def agreeing(count: int, *names: str) -> list[Difference]:
    return [Difference(100 + nth, contradicts=tuple(names)) for nth in range(count)]


@pytest.mark.parametrize(
    ("recent", "found"),
    [
        # At least three differences are explained.
        (differing(3, BANNER), True),
        (differing(2, BANNER), False),
        (differing(2, BANNER) + differing(1), False),
        # And two thirds of all.
        (differing(4, BANNER) + differing(2), True),
        (differing(4, BANNER) + differing(3), False),
        (differing(3, BANNER) + differing(1), True),
        (differing(3, BANNER) + differing(2), False),
        # And four times as many as speak against it.
        (differing(4, BANNER) + agreeing(1, BANNER), True),
        (differing(3, BANNER) + agreeing(1, BANNER), False),
        (differing(8, BANNER) + agreeing(2, BANNER), True),
        (differing(7, BANNER) + agreeing(2, BANNER), False),
        (differing(3, BANNER) + agreeing(9), True),
    ],
)
def test_a_diagnosis_stands_on_three_limits(recent: list[Difference], found: bool) -> None:
    diagnosis = diagnose(recent)
    assert (diagnosis is not None) is found
    if diagnosis is not None:
        explained = [one for one in recent if BANNER in one.explained_by]
        assert (diagnosis.hypothesis.name, diagnosis.explained) == (BANNER, tuple(explained))
        assert diagnosis.differing == sum(one.differs for one in recent)
        assert (diagnosis.contradicted, diagnosis.brackets) == (
            sum(BANNER in one.contradicts for one in recent),
            len(recent),
        )
        assert diagnosis.since_us == 0


def test_the_best_of_two_explanations_is_the_one_with_less_against_it() -> None:
    both = differing(4, BANNER, TWICE)
    diagnosis = diagnose(both)
    assert diagnosis is not None
    assert diagnosis.hypothesis is next(one for one in HYPOTHESES if one.name in {BANNER, TWICE})
    diagnosis = diagnose(both + agreeing(1, TWICE))
    assert diagnosis is not None
    assert diagnosis.hypothesis.name == BANNER
    # Explaining one more does not outweigh being contradicted twice.
    diagnosis = diagnose([*differing(8, BANNER, TWICE), *differing(1, TWICE), *agreeing(2, TWICE)])
    assert diagnosis is not None
    assert diagnosis.hypothesis.name == BANNER


def test_brackets_are_looked_back_on_from_the_first_that_differed() -> None:
    assert remembered((), agreeing(1)[0]) == ()
    first = differing(1)[0]
    assert remembered((), first) == (first,)
    full = (first, *agreeing(RECENT_MAX - 1))
    assert len(remembered(full[:-1], full[-1])) == RECENT_MAX == 20
    assert remembered(full, agreeing(1)[0]) == ()
    assert remembered(full, first) == (first,)


@pytest.mark.parametrize("name", ["counted", "least"])
def test_a_stored_difference_is_refused_below_and_above_its_bounds(name: str) -> None:
    stored = DIFFERENCE.write(differing(1, BANNER)[0])
    for value in (0, 2**53 - 1):
        assert DIFFERENCE.write(DIFFERENCE.read(Fields(stored | {name: value}, "d"))) == stored | {name: value}
    for value in (-1, 2**53):
        with pytest.raises(BadFact, match=name):
            DIFFERENCE.read(Fields(stored | {name: value}, "d"))
    agreed = agreeing(1, BANNER)[0]
    assert DIFFERENCE.read(Fields(DIFFERENCE.write(agreed), "d")) == agreed


@pytest.mark.parametrize(("releases", "more"), [(3, 0), (4, 1)])
def test_three_releases_are_named_and_a_fourth_is_more(releases: int, more: int) -> None:
    (told,) = of_kind(still(releases=releases).ledger(), "meter-stands-still")
    assert [one.kind for one in told.evidence] == ["release"] * 3 + ["more"] * bool(more)
    assert len(told.releases) == releases
