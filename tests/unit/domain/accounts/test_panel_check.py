"""A figure of a panel beside the meter's readings and other figures; instants as people write them."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from pagereeve.domain.accounts.local_instants import local_instant_us
from pagereeve.domain.accounts.panel_check import Beside, beside, distance, is_slip
from pagereeve.domain.accounts.supplier_bill import Shown
from pagereeve.domain.facts.panel import panel_readings, standing
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.instants import to_text
from tests.noted_readings import noted, taken_back

BERLIN = ZoneInfo("Europe/Berlin")


@pytest.mark.parametrize(
    ("figure", "before", "after", "off"),
    [
        (100, 90, 110, 0),
        (90, 90, 110, 0),
        (111, 90, 110, 1),
        (80, 90, 110, -10),
        (80, 90, None, -10),
        (500, 90, None, 0),
        (500, None, 110, 390),
        (500, None, None, 0),
        # The meter was replaced meanwhile: nothing in between is known.
        (500, 900, 10, 0),
    ],
)
def test_the_distance_is_beyond_what_the_meter_can_have_shown(
    figure: int, before: int | None, after: int | None, off: int
) -> None:
    shown = [None if one is None else Shown(one, 5) for one in (before, after)]
    assert distance(figure, *shown).off == off


@pytest.mark.parametrize(
    ("figure", "slip"), [(48_211, False), (482_110, True), (4_821, True), (60_000, False), (90_000, False)]
)
def test_a_digit_more_or_fewer_is_a_slip(figure: int, slip: bool) -> None:
    assert is_slip(figure, distance(figure, Shown(48_200, 1), Shown(48_300, 9))) is slip


def test_nothing_is_a_slip_where_no_meter_was_read_or_counts_are_small() -> None:
    assert not is_slip(10**9, distance(10**9, None, None))
    assert not is_slip(9_000, distance(9_000, Shown(3, 1), None))


def test_what_lies_beside_is_of_the_same_panel_and_channel() -> None:
    facts = [
        noted("p", "n-1", 10, 100),
        noted("p", "n-2", 30, 200),
        noted("p", "n-3", 20, 900, "colour"),
        noted("q", "n-4", 20, 900),
    ]
    first, second = (one for one in panel_readings(facts) if one.noted.origin.id in {"n-1", "n-2"})
    assert beside(panel_readings(facts), "p", "total", 20) == Beside(first, None, second)
    assert beside(panel_readings(facts), "p", "total", 30) == Beside(first, second, None)


@pytest.mark.parametrize(("figure", "other"), [(150, None), (100, None), (200, None), (99, "n-1"), (201, "n-2")])
def test_a_panel_only_counts_up(figure: int, other: str | None) -> None:
    near = beside(panel_readings([noted("p", "n-1", 10, 100), noted("p", "n-2", 30, 200)]), "p", "total", 20)
    found = near.contradicts(figure)
    assert (None if found is None else found.noted.origin.id) == other


def test_what_was_taken_back_stands_no_more_whatever_came_first() -> None:
    wrong, right = noted("p", "n-1", 10, 999), noted("p", "n-2", 10, 100)
    facts = [wrong, right, taken_back("v-1", wrong, said_us=50), taken_back("v-2", wrong, said_us=60)]
    for order in (facts, facts[::-1]):
        assert [one.figure for one in standing(order)] == [100]
        (back,) = [one.taken_back for one in panel_readings(order) if one.noted == wrong]
        assert back is not None
        assert back.origin.id == "v-1"


@pytest.mark.parametrize(
    ("text", "instant"),
    [
        ("2026-11-30T17:00", "2026-11-30T16:00:00.000000Z"),
        ("2026-11-30 17:00:30", "2026-11-30T16:00:30.000000Z"),
        ("2026-07-01T17:00", "2026-07-01T15:00:00.000000Z"),
        ("2026-11-30T17:00:00Z", "2026-11-30T17:00:00.000000Z"),
        # Of the hour that comes twice an offset says which.
        ("2026-10-25T02:30:00+01:00", "2026-10-25T01:30:00.000000Z"),
    ],
)
def test_a_bare_time_is_of_the_site(text: str, instant: str) -> None:
    assert to_text(local_instant_us(text, BERLIN, "--at")) == instant


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("2026-10-25T02:30", "comes twice in Europe/Berlin"),
        ("2026-03-29T02:30", "is skipped by the clocks of Europe/Berlin"),
        ("2026-02-30T02:30", "names no instant"),
        ("yesterday", "is no time; write 2026-11-30T17:00 (of Europe/Berlin)"),
        ("2026-11-30", "is no time"),
    ],
)
def test_a_time_that_names_no_one_instant_is_refused(text: str, why: str) -> None:
    with pytest.raises(BadQuestion) as error:
        local_instant_us(text, BERLIN, "--at")
    assert error.value.where == "--at"
    assert why in error.value.problem
