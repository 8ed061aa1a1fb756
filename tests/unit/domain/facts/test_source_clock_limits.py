"""A source's clock on the limits of its rules: one microsecond or one notice on either side."""

from __future__ import annotations

import pytest

from pagereeve.domain.facts.source_clock import DELAYS_MAX, SourceClock
from pagereeve.domain.values.instants import SECOND_US, from_text
from tests.unit.domain.story import DAY_US

CENTURY_US = from_text("2000-01-01T00:00:00Z")
DAYS_400_US = 400 * 86_400 * SECOND_US
MINUTE_US = 60 * SECOND_US


@pytest.mark.parametrize(
    ("occurred_us", "received_us", "mark"),
    [
        (CENTURY_US, CENTURY_US + SECOND_US, ""),
        (CENTURY_US - 1, CENTURY_US + SECOND_US, "implausible-past"),
        (DAY_US - DAYS_400_US, DAY_US, ""),
        (DAY_US - DAYS_400_US - 1, DAY_US, "implausible-past"),
        (DAY_US + 120 * SECOND_US, DAY_US, "corrected"),
        (DAY_US + 120 * SECOND_US + 1, DAY_US, "future"),
        # A second is the network's; from there on the clock was ahead, and the reader hears of it.
        (DAY_US + SECOND_US - 1, DAY_US, ""),
        (DAY_US + SECOND_US, DAY_US, "corrected"),
    ],
)
def test_a_claim_is_judged_to_the_microsecond(occurred_us: int, received_us: int, mark: str) -> None:
    assert SourceClock().judge(occurred_us, received_us)[1] == mark


@pytest.mark.parametrize("ahead_us", [1, 2, SECOND_US - 1])
def test_an_event_of_the_future_is_dated_when_it_came_however_little_it_is_ahead(ahead_us: int) -> None:
    clock = SourceClock()
    assert clock.judge(DAY_US + ahead_us, DAY_US) == (DAY_US, "")
    # What the clock showed once holds for the next event, also one that seems to come in time.
    assert clock.judge(DAY_US + SECOND_US, DAY_US + 2 * SECOND_US) == (DAY_US + SECOND_US - ahead_us, "")


def last_of(*delays_us: int, every_us: int = MINUTE_US) -> tuple[int, str]:
    """The correction of the last of so many notices, and its mark."""
    clock, at_us, mark, received_us = SourceClock(), 0, "", DAY_US
    for nth, delay_us in enumerate(delays_us):
        received_us = DAY_US + nth * every_us
        at_us, mark = clock.judge(received_us - delay_us, received_us)
    return at_us - (received_us - delays_us[-1]), mark


def test_eight_delays_show_a_clock_that_is_behind_and_seven_do_not() -> None:
    assert last_of(*[10 * SECOND_US] * 7) == (0, "")
    assert last_of(*[10 * SECOND_US] * 8) == (9 * SECOND_US, "corrected")


def test_three_seconds_behind_are_corrected_and_less_is_the_network() -> None:
    assert last_of(*[3 * SECOND_US - 1] * 8) == (0, "")
    assert last_of(*[3 * SECOND_US] * 8) == (2 * SECOND_US, "corrected")


def test_a_clock_two_minutes_behind_needs_no_ten_minutes_of_the_same() -> None:
    assert last_of(*[120 * SECOND_US] * 8) == (119 * SECOND_US, "corrected")
    assert last_of(*[120 * SECOND_US + 1] * 8) == (0, "")


def test_far_behind_is_believed_after_ten_minutes_of_the_same_delay() -> None:
    # Eleven notices, a minute apart, span ten minutes.
    lasted = [900 * SECOND_US] * 11
    assert last_of(*lasted) == (899 * SECOND_US, "behind")
    clock = SourceClock()
    for nth in range(10):
        clock.judge(DAY_US + nth * MINUTE_US - 900 * SECOND_US, DAY_US + nth * MINUTE_US)
    received_us = DAY_US + 10 * MINUTE_US - 1
    assert clock.judge(received_us - 900 * SECOND_US, received_us)[1] == ""


def test_delays_that_differ_by_more_than_three_seconds_are_a_backlog() -> None:
    far = [900 * SECOND_US] * 11
    assert last_of(903 * SECOND_US, *far)[1] == "behind"
    assert last_of(903 * SECOND_US + 1, *far)[1] == ""


def test_sixty_four_delays_are_kept() -> None:
    prompt, late = 0, 10 * SECOND_US
    assert DAYS_400_US > DELAYS_MAX * MINUTE_US
    assert last_of(prompt, *[late] * 63)[1] == ""
    assert last_of(prompt, *[late] * 64)[1] == "corrected"
