"""A thing that stays as it is fills no log. The printers here are invented."""

from __future__ import annotations

import logging
from typing import Any

from pagereeve.telemetry.repeated import LINES_MAX, Repeated

HOUR_S = 3600
POLL_S = 5


class HeldClock:
    def __init__(self) -> None:
        self.at_us = 1_000_000

    def now_us(self) -> int:
        return self.at_us

    def monotonic_us(self) -> int:
        return self.at_us

    async def sleep(self, seconds: float) -> None:
        self.at_us += round(seconds * 1e6)

    def go_on(self, seconds: float) -> None:
        self.at_us += round(seconds * 1e6)


class Heard:
    def __init__(self) -> None:
        self.lines: list[tuple[int, str, dict[str, Any]]] = []

    def log(self, level: int, event: str, **values: Any) -> None:
        self.lines.append((level, event, values))


def a_printer() -> tuple[Repeated, HeldClock, Heard]:
    clock, heard = HeldClock(), Heard()
    return Repeated(heard, clock), clock, heard


def test_a_printer_off_for_an_hour_at_polls_of_5_s_makes_at_most_three_lines() -> None:
    # DSorlov/snmp_printer#6: the same line again and again
    repeated, clock, heard = a_printer()
    repeated.note("library-1", "ok", "meter answers")
    for _ in range(HOUR_S // POLL_S):
        clock.go_on(POLL_S)
        repeated.note("library-1", "timeout", "meter silent", responder="")
    clock.go_on(POLL_S)
    repeated.note("library-1", "ok", "meter answers")
    assert 2 <= len(heard.lines) <= 3
    level, event, values = heard.lines[0]
    assert (level, event) == (logging.WARNING, "meter silent")
    assert values == {
        "what": "library-1",
        "state": "timeout",
        "before": "ok",
        "before_times": 1,
        "before_s": 5.0,
        "responder": "",
    }
    level, event, values = heard.lines[-1]
    assert (level, event) == (logging.INFO, "meter answers")
    assert (values["before"], values["before_times"], values["before_s"]) == ("timeout", 720, 3600.0)


def test_a_printer_off_for_a_week_is_summed_up_at_growing_distances_up_to_a_day() -> None:
    repeated, clock, heard = a_printer()
    for _ in range(7 * 24 * 60):
        repeated.note("library-1", "timeout", "meter silent")
        clock.go_on(60)
    summaries = [values for _, _, values in heard.lines[1:]]
    assert [values["for_s"] for values in summaries[:4]] == [3600.0, 3 * 3600.0, 7 * 3600.0, 15 * 3600.0]
    assert summaries[0]["times"] == 61
    assert len(heard.lines) < 14


def test_a_thing_that_is_as_usual_from_the_first_is_not_spoken_of() -> None:
    repeated, clock, heard = a_printer()
    for _ in range(100):
        assert not repeated.note("library-1", "ok", "meter answers")
        clock.go_on(HOUR_S)
    assert heard.lines == []


def test_another_reason_is_a_change() -> None:
    repeated, _, heard = a_printer()
    for state in ("timeout", "timeout", "refused", "refused", "ok"):
        repeated.note("library-1", state, "read")
    assert [values["state"] for _, _, values in heard.lines] == ["timeout", "refused", "ok"]
    assert [values.get("before_times") for _, _, values in heard.lines] == [None, 2, 2]


def test_a_flapping_thing_is_bounded_and_what_was_left_unsaid_is_counted() -> None:
    # prometheus/alertmanager#204: near a limit, half of the reads answer.
    repeated, clock, heard = a_printer()
    polls = 2 * HOUR_S // POLL_S
    for poll in range(polls):
        repeated.note("library-1", "timeout" if poll % 2 else "ok", "read")
        clock.go_on(POLL_S)
    assert LINES_MAX < len(heard.lines) <= 2 * LINES_MAX + 1
    assert sum(values.get("unsaid", 0) for _, _, values in heard.lines) > 300


def test_the_last_state_is_told_even_if_the_change_to_it_came_too_soon() -> None:
    repeated, clock, heard = a_printer()
    for poll in range(2 * LINES_MAX + 1):
        repeated.note("library-1", "ok" if poll % 2 else "timeout", "read")
    for _ in range(2 * HOUR_S // POLL_S):
        repeated.note("library-1", "timeout", "read")
        clock.go_on(POLL_S)
    assert heard.lines[-1][2]["state"] == "timeout"
    assert len(heard.lines) <= LINES_MAX + 2


def test_printers_do_not_silence_one_another() -> None:
    repeated, _, heard = a_printer()
    for number in range(20):
        repeated.note(f"library-{number}", "timeout", "meter silent")
    assert len(heard.lines) == 20


def test_what_is_remembered_is_bounded() -> None:
    heard = Heard()
    repeated = Repeated(heard, HeldClock(), keys_max=2)
    for what in ("a", "b", "c", "c", "b", "a"):
        repeated.note(what, "timeout", "meter silent")
    assert [values["what"] for _, _, values in heard.lines] == ["a", "b", "c", "a"]
