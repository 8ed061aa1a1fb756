"""Where an end notice lies: at its start's printer, on the limits of the rule."""

from __future__ import annotations

from pagereeve.domain.facts.end_notices import after_its_start
from pagereeve.domain.facts.facts import Origin, ReleaseEnded, ReleaseStarted
from pagereeve.domain.facts.ticket import Ticket


def start(at_us: int, printer: str, event_id: str = "s") -> ReleaseStarted:
    origin = Origin("server", event_id, at_us, at_us)
    return ReleaseStarted(printer, origin, "r1", "j1", "anise", ticket=Ticket(pages=1))


def end(at_us: int) -> ReleaseEnded:
    return ReleaseEnded("", Origin("server", "e", at_us, at_us), "r1", "completed")


def placed(at_us: int, *starts: ReleaseStarted) -> tuple[str, int]:
    ended = after_its_start(end(at_us), starts)
    return ended.printer, ended.origin.at_us


def test_it_lies_at_the_printer_of_the_latest_start_before_it_in_whatever_order_these_came() -> None:
    starts = [start(100, "east", "s1"), start(200, "west", "s2")]
    for known in (starts, starts[::-1]):
        assert placed(199, *known) == ("east", 199)
        assert placed(200, *known) == ("west", 200)


def test_an_end_before_every_start_is_taken_as_one_at_the_first_start() -> None:
    assert placed(99, start(100, "east")) == ("east", 100)
    assert placed(100, start(100, "east")) == ("east", 100)


def test_of_two_starts_at_one_instant_the_identity_decides_and_not_the_order_of_arrival() -> None:
    starts = [start(100, "east", "s1"), start(100, "west", "s2")]
    assert placed(150, *starts) == placed(150, *starts[::-1]) == ("west", 150)


def test_before_every_start_at_several_printers_it_lies_at_the_last_one() -> None:
    assert placed(50, start(100, "east", "s1"), start(200, "west", "s2")) == ("west", 200)
