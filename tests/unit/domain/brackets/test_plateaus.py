"""Readings become plateaus and failures silences, in an order that no clock can turn round."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pagereeve.domain.brackets.partition import busy_times
from pagereeve.domain.brackets.plateaus import record
from pagereeve.domain.brackets.windows import Window
from pagereeve.domain.facts.facts import PlateauRead, ReadFailed
from pagereeve.domain.facts.reading import Count, Failure, Reading, Sight, SilenceReason, Unit
from tests.unit.domain.brackets.test_windows import SHORT
from tests.unit.domain.projection.test_settle_time import view_of
from tests.unit.domain.story import Story, at_us

SIGHT = Sight((("total", Count(100, Unit.IMPRESSIONS)),), "K1")
MOVED = replace(SIGHT, counts=(("total", Count(101, Unit.IMPRESSIONS)),))


def reading(sent_us: int, received_us: int, sight: Sight = SIGHT, uptime_cs: int | None = None) -> Reading:
    return Reading(sent_us, received_us, sight, uptime_cs)


def failure(sent_us: int, received_us: int, reason: str = "timeout", detail: str = "", responder: str = "") -> Failure:
    return Failure(sent_us, received_us, SilenceReason(reason), detail, responder)


def recorded(*results: Reading | Failure) -> list[tuple[int, int, int, int, int]]:
    """Of each run the four times and how many results it holds; a silence's inner times are its ends."""
    runs: list[PlateauRead | ReadFailed] = []
    current: PlateauRead | ReadFailed | None = None
    for result in results:
        one = record("p", current, result)
        runs += [] if one.sealed is None else [one.sealed]
        current = one.current
    runs += [] if current is None else [current]
    return [_times(one) for one in runs]


def _times(run: PlateauRead | ReadFailed) -> tuple[int, int, int, int, int]:
    if isinstance(run, PlateauRead):
        one = run.plateau
        return one.first_sent_us, one.first_received_us, one.last_sent_us, one.last_received_us, one.count
    silence = run.silence
    return (
        silence.first_sent_us,
        silence.last_received_us,
        silence.first_sent_us,
        silence.last_received_us,
        silence.count,
    )


def test_equal_readings_are_one_plateau_and_another_count_begins_the_next() -> None:
    assert recorded(reading(0, 5), reading(10, 16), reading(20, 27, MOVED), reading(30, 31, MOVED)) == [
        (0, 5, 10, 16, 2),
        (20, 27, 30, 31, 2),
    ]


@pytest.mark.parametrize(("sent_us", "received_us"), [(16, 20), (17, 20), (15, 20), (0, 7)])
def test_a_reading_keeps_its_instants_though_it_seems_to_begin_before_the_last_one_ended(
    sent_us: int, received_us: int
) -> None:
    """Nothing is squeezed to keep an order: a clock that was set is a fact of its own."""
    for later in (reading(sent_us, received_us, MOVED), failure(sent_us, received_us)):
        assert recorded(reading(0, 5), reading(10, 16), later)[1][:2] == (sent_us, received_us)
    assert recorded(failure(0, 16), reading(sent_us, received_us))[1][:2] == (sent_us, received_us)


def test_failures_of_one_kind_are_one_silence() -> None:
    alike = [failure(0, 5), failure(10, 15)]
    assert recorded(*alike) == [(0, 15, 0, 15, 2)]
    for other in (failure(20, 25, "refused"), failure(20, 25, detail="x"), failure(20, 25, responder="192.0.2.9")):
        assert [times[-1] for times in recorded(*alike, other)] == [2, 1]
    assert [times[-1] for times in recorded(*alike, reading(20, 25), *[failure(30, 35)] * 2)] == [2, 1, 2]


def test_a_restart_parts_equal_readings() -> None:
    on = [reading(0, 0, uptime_cs=900_000), reading(10**7, 10**7, uptime_cs=901_000)]
    assert [times[-1] for times in recorded(*on)] == [2]
    assert [times[-1] for times in recorded(*on, reading(2 * 10**7, 2 * 10**7, uptime_cs=100))] == [2, 1]


def windows_at(*spans: tuple[float, float | None]) -> list[Window]:
    """Windows that open and close at these seconds."""
    story = Story(SHORT)
    for first_s, _ in spans:
        story.release(first_s - 1)
    found = sorted(view_of(story).windows, key=lambda one: one.opens_us)
    ordered = sorted(spans, key=lambda span: span[0])
    closed = [None if last_s is None else at_us(last_s) for _, last_s in ordered]
    return [replace(window, closes_us=closes_us) for window, closes_us in zip(found, closed, strict=True)]


@pytest.mark.parametrize(
    ("spans", "busy"),
    [
        ([(1, 5), (7, 9)], [(1, 5), (7, 9)]),
        ([(1, 5), (4, 9)], [(1, 9)]),
        ([(1, 9), (4, 5)], [(1, 9)]),
        # Where one closes as the next opens there is an instant in neither: a cut may lie there.
        ([(1, 5), (5, 9)], [(1, 5), (5, 9)]),
        ([(1, 5), (4.999999, 9)], [(1, 9)]),
        ([(1, None), (7, 9)], [(1, None)]),
        ([(1, 5), (4, None), (8, 9)], [(1, None)]),
        ([(1, 5), (2, 3), (4, 6), (8, None)], [(1, 6), (8, None)]),
        ([], []),
    ],
)
def test_times_in_which_a_window_is_open(
    spans: list[tuple[float, float | None]], busy: list[tuple[float, float | None]]
) -> None:
    found = busy_times(windows_at(*spans))
    assert found == [(at_us(first), None if last is None else at_us(last)) for first, last in busy]
    assert busy_times(list(reversed(windows_at(*spans)))) == found
