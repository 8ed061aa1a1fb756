"""Days around clock changes, against the time zone database as the C library reads it."""

from __future__ import annotations

import subprocess
import sys
from bisect import bisect_right
from datetime import date, timedelta
from functools import cache
from importlib.resources import as_file, files
from zoneinfo import ZoneInfo

import pytest

from pagereeve.domain.accounts.periods import Period, day_begins_us, local_text, period_of
from pagereeve.domain.values.instants import SECOND_US, from_text

HOUR_US = 3600 * SECOND_US
EPOCH_DAY = date(1970, 1, 1)
# Berlin changes at two and three, Cairo skips midnight, Havana skips it and has it twice, Santiago has 23:00 twice,
# Lord Howe moves by half an hour, Apia left out a whole day.
ZONES = ["Europe/Berlin", "Africa/Cairo", "America/Havana", "America/Santiago", "Australia/Lord_Howe", "Pacific/Apia"]


BEGIN_S, END_S = 1_262_304_000, 2_000_000_000  # 2010 to 2033
# Modern zones change at whole half hours of UTC.
LOOK = """
import sys, time
known = None
for second in range(int(sys.argv[1]), int(sys.argv[2]), 1800):
    offset = time.localtime(second).tm_gmtoff
    if offset != known:
        print(second, offset)
        known = offset
"""


@cache
def transitions(name: str) -> list[tuple[int, int]]:
    """(second of UTC, offset in seconds from then on), in order, as the C library reads the same database."""
    with as_file(files("tzdata").joinpath("zoneinfo", *name.split("/"))) as path:
        asked = [sys.executable, "-c", LOOK, str(BEGIN_S), str(END_S)]
        shown = subprocess.run(asked, env={"TZ": f":{path}"}, capture_output=True, text=True, check=True)
    return [(int(second), int(offset)) for second, offset in map(str.split, shown.stdout.splitlines())]


def first_second_of(day: date, known: list[tuple[int, int]]) -> int:
    """The first second of UTC whose local clock shows that day or a later one."""
    local_s = (day - EPOCH_DAY).days * 86_400
    return min(
        max(from_s, local_s - offset)
        for (from_s, offset), (to_s, _) in zip(known, [*known[1:], (2**62, 0)], strict=True)
        if max(from_s, local_s - offset) < to_s
    )


@pytest.mark.parametrize("name", ZONES)
def test_every_day_begins_and_ends_where_the_database_says(name: str) -> None:
    known, zone = transitions(name), ZoneInfo(name)
    changes = [second for second, _ in known[1:]]
    assert len(changes) > 4
    for second in changes:
        around = EPOCH_DAY + timedelta(days=second // 86_400 - 2)
        for day in (around + timedelta(days=nth) for nth in range(5)):
            begins, ends = first_second_of(day, known), first_second_of(day + timedelta(days=1), known)
            assert day_begins_us(day, zone) == begins * SECOND_US, day
            period = period_of(day.isoformat(), zone)
            assert (period.from_us, period.to_us) == (begins * SECOND_US, ends * SECOND_US)
            _offsets_agree(period, known)


def _offsets_agree(period: Period, known: list[tuple[int, int]]) -> None:
    """Local texts are the day's own, with the offset of the database: never two for one, never one for two."""
    shown = set()
    for second in range(period.from_us // SECOND_US, period.to_us // SECOND_US, 1_800):
        text = local_text(second * SECOND_US, period.zone)
        offset = known[bisect_right(known, (second, 10**9)) - 1][1]
        sign, rest = ("-", -offset) if offset < 0 else ("+", offset)
        assert text.startswith(period.name)
        assert text.endswith(f"{sign}{rest // 3600:02}:{rest % 3600 // 60:02}")
        shown.add(text)
    assert len(shown) == -(-(period.to_us - period.from_us) // (1_800 * SECOND_US))


@pytest.mark.parametrize(
    ("zone", "day", "hours", "begins"),
    [
        ("Europe/Berlin", "2024-03-31", 23, "2024-03-30T23:00:00Z"),
        ("Europe/Berlin", "2024-10-27", 25, "2024-10-26T22:00:00Z"),
        # From 00:00 to 01:00: the day begins at the jump.
        ("Africa/Cairo", "2024-04-26", 23, "2024-04-25T22:00:00Z"),
        ("America/Havana", "2024-03-10", 23, "2024-03-10T05:00:00Z"),
        # From 01:00 back to 00:00: the day begins at the first of the two midnights.
        ("America/Havana", "2024-11-03", 25, "2024-11-03T04:00:00Z"),
        ("Australia/Lord_Howe", "2024-04-07", 24.5, "2024-04-06T13:00:00Z"),
    ],
)
def test_a_day_of_another_length(zone: str, day: str, hours: float, begins: str) -> None:
    period = period_of(day, ZoneInfo(zone))
    assert period.from_us == from_text(begins)
    assert (period.to_us - period.from_us) / HOUR_US == hours


def test_a_day_that_never_was_holds_nothing_and_the_month_is_whole() -> None:
    zone = ZoneInfo("Pacific/Apia")
    gone = period_of("2011-12-30", zone)
    assert gone.from_us == gone.to_us
    days = period_of("2011-12", zone).days()
    assert [day.name for day in days if day.from_us == day.to_us] == ["2011-12-30"]
    assert sum(day.to_us - day.from_us for day in days) == 30 * 24 * HOUR_US


def test_the_hour_before_a_march_ends_is_march_and_there_is_one_march() -> None:
    # home-assistant/core#90730: the month was closed an hour early, then again at midnight.
    zone = ZoneInfo("Europe/Berlin")
    months = [period_of(f"2024-{month:02}", zone) for month in range(1, 13)]
    at_us = from_text("2024-03-31T21:30:00Z")
    assert [month.name for month in months if month.holds(at_us)] == ["2024-03"]
    assert [month.name for month in months if month.holds(from_text("2024-03-31T22:00:00Z"))] == ["2024-04"]
