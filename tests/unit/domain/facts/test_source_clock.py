"""When did it happen? The smallest delay of a source bounds its clock's offset."""

from __future__ import annotations

import pytest

from pagereeve.domain.facts.source_clock import DELAYS_MAX, DELAYS_MIN, SourceClock
from pagereeve.domain.values.instants import SECOND_US
from tests.unit.domain.story import DAY_US

DAY = 86_400 * SECOND_US


@pytest.mark.parametrize(
    ("occurred_us", "expected"),
    [
        (None, (DAY_US, "missing")),
        (0, (DAY_US, "implausible-past")),
        (946_684_799 * SECOND_US, (DAY_US, "implausible-past")),
        (DAY_US - 401 * DAY, (DAY_US, "implausible-past")),
        (DAY_US - 399 * DAY, (DAY_US - 399 * DAY, "")),
        (DAY_US + 7 * DAY, (DAY_US, "future")),
        (DAY_US + 121 * SECOND_US, (DAY_US, "future")),
        (DAY_US + 119 * SECOND_US, (DAY_US, "corrected")),
        (DAY_US + SECOND_US // 2, (DAY_US, "")),
        (DAY_US, (DAY_US, "")),
    ],
)
def test_a_first_event_is_taken_at_its_word_within_limits(occurred_us: int | None, expected: tuple[int, str]) -> None:
    assert SourceClock().judge(occurred_us, DAY_US) == expected


def _judged(clock: SourceClock, nth: int, delay_s: float) -> tuple[int, str]:
    """The correction in microseconds and its mark, for one event that came ``delay_s`` after its claim."""
    occurred_us = DAY_US + nth * 60 * SECOND_US
    at_us, mark = clock.judge(occurred_us, occurred_us + round(delay_s * SECOND_US))
    return at_us - occurred_us, mark


def test_a_clock_that_is_behind_is_corrected_once_enough_delays_agree() -> None:
    clock = SourceClock()
    early = [_judged(clock, nth, 10 + nth % 3) for nth in range(DELAYS_MIN - 1)]
    assert set(early) == {(0, "")}
    assert _judged(clock, DELAYS_MIN, 12) == (9 * SECOND_US, "corrected")


def test_one_prompt_event_shows_that_the_others_were_merely_late() -> None:
    clock = SourceClock()
    _judged(clock, 0, 0.2)
    assert {_judged(clock, nth, 30) for nth in range(1, 40)} == {(0, "")}


def test_a_backlog_of_an_hour_is_no_clock_fault() -> None:
    clock = SourceClock()
    assert {_judged(clock, nth, 3600 - nth) for nth in range(40)} == {(0, "")}


def test_a_clock_that_was_set_right_is_believed_again_after_as_many_delays_as_are_kept() -> None:
    clock = SourceClock()
    assert _judged(clock, 0, -20)[1] == "corrected"
    judged = [_judged(clock, nth, 0.1) for nth in range(1, DELAYS_MAX + 1)]
    assert judged[-2][1] == "corrected"
    assert judged[-1] == (0, "")


def test_a_correction_never_puts_an_event_after_its_arrival() -> None:
    clock = SourceClock()
    for nth, delay_s in enumerate((-5, -1, 3, -90, 0)):
        occurred_us = DAY_US + nth * SECOND_US
        received_us = occurred_us + delay_s * SECOND_US
        assert clock.judge(occurred_us, received_us)[0] <= received_us


def test_events_that_are_set_aside_teach_nothing_of_the_clock() -> None:
    clock = SourceClock()
    for claim in (None, 0, DAY_US + 10 * DAY):
        clock.judge(claim, DAY_US)
    assert len(clock.delays) == 0


def test_a_clock_that_is_far_behind_is_corrected_and_told() -> None:
    """The same delay in every notice for ten minutes: no backlog looks like that."""
    clock = SourceClock()
    marks = []
    for nth in range(20):
        received_us = DAY_US + nth * 60 * SECOND_US
        at_us, mark = clock.judge(received_us - 900 * SECOND_US - nth % 3 * SECOND_US // 2, received_us)
        marks.append(mark)
        if mark == "behind":
            assert abs(at_us - received_us) <= 2 * SECOND_US
    assert marks == [""] * 10 + ["behind"] * 10


def test_a_backlog_that_comes_at_once_is_no_clock_fault() -> None:
    clock = SourceClock()
    assert {clock.judge(DAY_US - 900 * SECOND_US + nth, DAY_US + nth)[1] for nth in range(40)} == {""}
