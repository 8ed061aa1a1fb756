"""Periods are computed from the named zone's own days, and hold instants."""

from __future__ import annotations

from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from pagereeve.domain.accounts.own_periods import chosen
from pagereeve.domain.accounts.periods import Period, between, local_text, period_of, zone_of
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.instants import SECOND_US, from_text, to_text

BERLIN = ZoneInfo("Europe/Berlin")
UTC = ZoneInfo("UTC")
HOUR_US = 3600 * SECOND_US


def edges(period: Period) -> tuple[str, str]:
    return to_text(period.from_us)[:16], to_text(period.to_us)[:16]


def test_a_march_with_a_clock_change_ends_at_its_own_midnight() -> None:
    # home-assistant/core#90730: Europe/Berlin, March 2024 ends 2024-03-31T22:00Z.
    march = period_of("2024-03", BERLIN)
    assert edges(march) == ("2024-02-29T23:00", "2024-03-31T22:00")
    assert march.holds(from_text("2024-03-31T21:30:00Z"))
    assert not march.holds(from_text("2024-03-31T22:00:00Z"))
    assert march.to_us == period_of("2024-04", BERLIN).from_us


def test_the_day_of_the_repeated_hour_has_25_hours_and_both_hours_are_told_apart() -> None:
    # home-assistant/core#102984: 2024-10-27T00:30Z and 01:30Z are both 02:30 in Berlin.
    day = period_of("2024-10-27", BERLIN)
    assert day.to_us - day.from_us == 25 * HOUR_US
    first, second = from_text("2024-10-27T00:30:00Z"), from_text("2024-10-27T01:30:00Z")
    assert local_text(first, BERLIN) == "2024-10-27 02:30:00+02:00"
    assert local_text(second, BERLIN) == "2024-10-27 02:30:00+01:00"
    assert day.holds(first)
    assert day.holds(second)


def test_the_day_of_the_missing_hour_has_23_hours() -> None:
    day = period_of("2024-03-31", BERLIN)
    assert day.to_us - day.from_us == 23 * HOUR_US


def test_a_midnight_that_does_not_exist_begins_at_the_jump() -> None:
    # From memory of the time zone database: Cairo's clocks went from 00:00 to 01:00 on 2024-04-26.
    day = period_of("2024-04-26", ZoneInfo("Africa/Cairo"))
    assert to_text(day.from_us) == "2024-04-25T22:00:00.000000Z"
    assert day.to_us - day.from_us == 23 * HOUR_US


@pytest.mark.parametrize(
    ("name", "begins", "ends"),
    [
        ("2026", "2026-01-01T00:00", "2027-01-01T00:00"),
        ("2026-Q4", "2026-10-01T00:00", "2027-01-01T00:00"),
        ("2026-q1", "2026-01-01T00:00", "2026-04-01T00:00"),
        ("2026-12", "2026-12-01T00:00", "2027-01-01T00:00"),
        ("2026-W48", "2026-11-23T00:00", "2026-11-30T00:00"),
        # ISO 8601: the week with the year's first Thursday is W01, so 2027-W01 begins on 4 January; 2026 has 53 weeks.
        ("2026-W53", "2026-12-28T00:00", "2027-01-04T00:00"),
        ("2026-11-25", "2026-11-25T00:00", "2026-11-26T00:00"),
    ],
)
def test_a_name_of_the_calendar_is_that_stretch(name: str, begins: str, ends: str) -> None:
    assert edges(period_of(name, UTC)) == (begins, ends)


@pytest.mark.parametrize("zone", [BERLIN, UTC, ZoneInfo("America/St_Johns"), ZoneInfo("Pacific/Apia")])
@pytest.mark.parametrize("year", [2011, 2024, 2026])
def test_the_days_of_a_year_are_disjoint_and_leave_nothing_out(zone: ZoneInfo, year: int) -> None:
    whole = period_of(str(year), zone)
    days = whole.days()
    assert days[0].from_us == whole.from_us
    assert days[-1].to_us == whole.to_us
    assert all(before.to_us == after.from_us for before, after in pairwise(days))
    quarters = [period_of(f"{year}-Q{number}", zone) for number in range(1, 5)]
    assert sum(one.to_us - one.from_us for one in quarters) == whole.to_us - whole.from_us


def test_dates_begin_in_the_zone_and_times_stand_for_themselves() -> None:
    asked = between("2026-11-25", "2026-11-25T12:00:00+01:00", BERLIN)
    assert edges(asked) == ("2026-11-24T23:00", "2026-11-25T11:00")


def test_without_ends_a_period_holds_everything() -> None:
    asked = chosen(None, None, None, ZoneInfo("UTC"))
    assert asked.holds(0)
    assert asked.holds(from_text("9999-01-01T00:00:00Z"))
    with pytest.raises(BadQuestion, match="has no beginning and no end"):
        asked.days()
    with pytest.raises(BadQuestion, match="has no end"):
        between("2026-01-01", None, UTC).days()
    with pytest.raises(BadQuestion, match="has no beginning, so"):
        between(None, "2026-01-01", UTC).days()


@pytest.mark.parametrize("zone", [UTC, BERLIN])
def test_the_year_in_which_instants_begin_has_its_days(zone: ZoneInfo) -> None:
    days = period_of("1970", zone).days()
    assert (len(days), days[0].name, days[-1].name) == (365, "1970-01-01", "1970-12-31")
    assert period_of("1970", zone).has_beginning
    assert not between(None, "1971-01-01", zone).has_beginning


@pytest.mark.parametrize(
    "text", ["2026-13", "2026-02-30", "2026-W54", "2026-Q5", "november", "", "0001-01", "\uff12\uff10\uff12\uff16"]
)
def test_what_is_no_period_is_refused_by_name(text: str) -> None:
    with pytest.raises(BadQuestion, match="--period"):
        period_of(text, UTC)


def test_the_years_of_the_calendar_are_known_from_1970_to_9998() -> None:
    assert edges(period_of("1970", UTC)) == ("1970-01-01T00:00", "1971-01-01T00:00")
    assert edges(period_of("9998", UTC)) == ("9998-01-01T00:00", "9999-01-01T00:00")
    for text in ("1969", "9999", "1969-12", "9999-Q1", "1969-W01", "9999-01-01"):
        with pytest.raises(BadQuestion, match="years 1970 to 9998 are known"):
            period_of(text, UTC)
    assert edges(between("1970-01-01", "9998-12-31", UTC)) == ("1970-01-01T00:00", "9998-12-31T00:00")
    for from_, to in (("1969-12-31", None), (None, "9999-01-01")):
        with pytest.raises(BadQuestion, match="years 1970 to 9998 are known"):
            between(from_, to, UTC)


def test_what_is_no_period_is_quoted_as_far_as_forty_letters() -> None:
    with pytest.raises(BadQuestion) as refused:
        period_of("x" * 50, UTC)
    assert f"'{'x' * 40}' " in str(refused.value)
    with pytest.raises(BadQuestion) as refused:
        between("x" * 50, None, UTC)
    assert f"'{'x' * 40}' " in str(refused.value)


@pytest.mark.parametrize(
    ("from_", "to", "option"),
    [
        ("2026-11-26", "2026-11-25", "--to"),
        ("2026-11-25", "2026-11-25", "--to"),
        ("yesterday", None, "--from"),
        (None, "2026-02-30", "--to"),
        (None, "2026-11-25T25:00:00Z", "--to"),
    ],
)
def test_wrong_edges_are_refused_by_their_option(from_: str | None, to: str | None, option: str) -> None:
    with pytest.raises(BadQuestion) as caught:
        between(from_, to, UTC)
    assert caught.value.where == option


def test_a_period_is_named_in_one_way_only() -> None:
    with pytest.raises(BadQuestion, match="can't be used together"):
        chosen("2026-11", "2026-11-25", None, UTC)


@pytest.mark.parametrize("name", ["Europe/Atlantis", "", "../etc/passwd", "/etc/passwd"])
def test_an_unknown_zone_is_refused(name: str) -> None:
    with pytest.raises(BadQuestion, match="--zone"):
        zone_of(name)


def test_no_more_days_are_listed_than_ten_years_have() -> None:
    assert len(between("2020-01-01", "2030-01-01", UTC).days()) == 3_653
    with pytest.raises(BadQuestion, match="has more than 3660 days; ask for a part of it"):
        between("1970-01-02", "9998-12-31", UTC).days()
