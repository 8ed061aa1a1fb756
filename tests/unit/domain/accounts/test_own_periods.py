"""Periods that a site names itself."""

from __future__ import annotations

from datetime import date
from zoneinfo import ZoneInfo

import pytest

from pagereeve.domain.accounts.own_periods import OwnPeriod, chosen, overlaps_of, trouble_of
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.instants import from_text

BERLIN = ZoneInfo("Europe/Berlin")
AUTUMN = OwnPeriod("autumn-2026", date(2026, 9, 7), date(2026, 12, 19))
EXAMS = OwnPeriod("exams", date(2026, 12, 1), date(2027, 1, 1))
SPRING = OwnPeriod("spring-2027", date(2027, 1, 1), date(2027, 4, 1))


def test_a_term_is_from_its_first_local_midnight_to_just_before_the_day_of_to() -> None:
    asked = chosen("autumn-2026", None, None, BERLIN, (AUTUMN, EXAMS))
    assert asked.name == "autumn-2026"
    # Summer time at its beginning, winter time at its end.
    assert (asked.from_us, asked.to_us) == (from_text("2026-09-06T22:00:00Z"), from_text("2026-12-18T23:00:00Z"))
    assert len(asked.days()) == 103


def test_the_calendar_is_known_beside_them() -> None:
    assert chosen("2026-Q4", None, None, BERLIN, (AUTUMN,)).name == "2026-Q4"


def test_a_name_that_is_neither_is_answered_with_those_there_are() -> None:
    with pytest.raises(BadQuestion, match=r"--period: 'autum-2026' names no period; .*, as autumn-2026"):
        chosen("autum-2026", None, None, BERLIN, (AUTUMN, EXAMS))
    with pytest.raises(BadQuestion, match="is not in the calendar"):
        chosen("2026-13", None, None, BERLIN, (AUTUMN,))


@pytest.mark.parametrize("name", ["2026", "2026-Q4", "2026q4", "2026-11", "2026-99", "2026-W48", "2026-11-25"])
def test_a_name_of_the_calendars_forms_is_refused(name: str) -> None:
    assert "choose another name" in trouble_of(OwnPeriod(name, AUTUMN.first, AUTUMN.after))


def test_an_end_that_does_not_come_after_the_beginning_is_refused() -> None:
    assert "does not come after from" in trouble_of(OwnPeriod("term", AUTUMN.first, AUTUMN.first))
    assert "are known" in trouble_of(OwnPeriod("term", date(1969, 1, 1), AUTUMN.after))
    assert trouble_of(AUTUMN) == ""


def test_those_that_share_a_day_are_named() -> None:
    assert overlaps_of([SPRING, EXAMS, AUTUMN]) == [("autumn-2026", "exams")]
    assert overlaps_of([EXAMS, SPRING]) == []
