"""A period with a time zone: a half-open stretch [from, to) of instants, computed once from the zone's own days.

Membership is decided by instants alone. A day has 23, 24 or 25 hours, a month ends where the next one begins
(home-assistant/core#90730; home-assistant/core#102984).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.instants import EPOCH, SECOND_US, from_text

ALWAYS_US: Final = 2**62
DAYS_MAX: Final = 3_660
"""Ten years of days are listed at once, and no more."""
YEAR_LEAST: Final = 1970
YEAR_MOST: Final = 9998
FORMS: Final = "2026, 2026-Q4, 2026-11, 2026-W48 or 2026-11-25"

_DAY_US: Final = 86_400 * SECOND_US
_YEAR: Final = re.compile(r"(\d{4})", re.ASCII)
_QUARTER: Final = re.compile(r"(\d{4})-?[Qq]([1-4])", re.ASCII)
_MONTH: Final = re.compile(r"(\d{4})-(\d{2})", re.ASCII)
_WEEK: Final = re.compile(r"(\d{4})-?[Ww](\d{2})", re.ASCII)
_DAY: Final = re.compile(r"(\d{4})-(\d{2})-(\d{2})", re.ASCII)


@dataclass(frozen=True, slots=True)
class Period:
    """All instants from ``from_us`` up to, not including, ``to_us``. ``name`` is how it was asked for."""

    name: str
    zone: ZoneInfo
    from_us: int
    to_us: int

    @property
    def has_beginning(self) -> bool:
        """Somebody named one: the year 1970 has one, although no instant lies before it."""
        return self.from_us > 0 or is_calendar_name(self.name)

    @property
    def is_always(self) -> bool:
        """It holds every instant that there is."""
        return self.from_us <= 0 and self.to_us >= ALWAYS_US

    def holds(self, at_us: int) -> bool:
        return self.from_us <= at_us < self.to_us

    def days(self) -> list[Period]:
        """The local days that make up the period, in order; without a beginning they begin with 1970, as instants do.

        Raises BadQuestion for a period without an end, and for one of more than DAYS_MAX.
        """
        if self.to_us >= ALWAYS_US:
            lacks = "no end" if self.has_beginning else "no beginning and no end"
            raise BadQuestion("--period", f"has {lacks}, so it has no list of days; name both")
        many = self.to_us - self.from_us > DAYS_MAX * _DAY_US
        if many and not self.has_beginning:
            raise BadQuestion("--period", "has no beginning, so its list of days is too long; name one")
        if many:
            raise BadQuestion("--period", f"has more than {DAYS_MAX} days; ask for a part of it")
        days: list[Period] = []
        day = local(self.from_us, self.zone).date()
        begins_us = self.from_us
        while begins_us < self.to_us:
            ends_us = min(self.to_us, day_begins_us(day + timedelta(days=1), self.zone))
            days.append(Period(day.isoformat(), self.zone, begins_us, ends_us))
            begins_us, day = ends_us, day + timedelta(days=1)
        return days


def zone_of(name: str, where: str = "--zone") -> ZoneInfo:
    """Raises BadQuestion, which names ``where``, for a name that the time zone database does not have."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise BadQuestion(where, f"{name[:40]!r} is no time zone; write Europe/Berlin or UTC") from error


def period_of(text: str, zone: ZoneInfo) -> Period:
    """The calendar's year, quarter, month, ISO week or day of that name in the zone. Raises BadQuestion."""
    first, after = _dates(text)
    return Period(text, zone, day_begins_us(first, zone), day_begins_us(after, zone))


def between(from_text_: str | None, to_text_: str | None, zone: ZoneInfo) -> Period:
    """From one instant up to another, not including it. A local date is its beginning; what is absent has no end.

    Raises BadQuestion, also where the end does not come after the beginning.
    """
    from_us = 0 if from_text_ is None else instant_of(from_text_, zone, "--from")
    to_us = ALWAYS_US if to_text_ is None else instant_of(to_text_, zone, "--to")
    if to_us <= from_us:
        raise BadQuestion("--to", f"{to_text_} does not come after --from; the period ends just before it")
    name = "always" if from_text_ is None and to_text_ is None else f"{from_text_ or '...'} to {to_text_ or '...'}"
    return Period(name, zone, from_us, to_us)


def is_calendar_name(text: str) -> bool:
    """Has one of FORMS, whether the calendar has that period or not."""
    return any(form.fullmatch(text) for form in (_YEAR, _QUARTER, _MONTH, _WEEK, _DAY))


def local(at_us: int, zone: ZoneInfo) -> datetime:
    return (EPOCH + timedelta(microseconds=at_us)).astimezone(zone)


def local_text(at_us: int, zone: ZoneInfo) -> str:
    """For people: local time to the second with its offset, so that the repeated hour is unambiguous."""
    return local(at_us, zone).isoformat(sep=" ", timespec="seconds")


def _dates(text: str) -> tuple[date, date]:
    """The first day, and the first one after."""
    try:
        if match := _YEAR.fullmatch(text):
            year = _year(match[1])
            return date(year, 1, 1), date(year + 1, 1, 1)
        if match := _QUARTER.fullmatch(text):
            return _months(_year(match[1]), 3 * int(match[2]) - 2, 3)
        if match := _MONTH.fullmatch(text):
            return _months(_year(match[1]), int(match[2]), 1)
        if match := _WEEK.fullmatch(text):
            monday = date.fromisocalendar(_year(match[1]), int(match[2]), 1)
            return monday, monday + timedelta(days=7)
        if match := _DAY.fullmatch(text):
            day = date(_year(match[1]), int(match[2]), int(match[3]))
            return day, day + timedelta(days=1)
    except ValueError as error:
        raise BadQuestion("--period", f"{text[:40]!r} is not in the calendar ({error})") from error
    raise BadQuestion("--period", f"{text[:40]!r} names no period; write {FORMS}")


def _year(text: str) -> int:
    year = int(text)
    if not YEAR_LEAST <= year <= YEAR_MOST:
        raise ValueError(f"years {YEAR_LEAST} to {YEAR_MOST} are known")
    return year


def _months(year: int, month: int, length: int) -> tuple[date, date]:
    first = date(year, month, 1)
    after = month - 1 + length
    return first, date(year + after // 12, after % 12 + 1, 1)


def day_begins_us(day: date, zone: ZoneInfo) -> int:
    """The first instant of a local day: of a midnight that comes twice the first, of one that is skipped the jump."""
    stamp = datetime.combine(day, time(), tzinfo=zone).astimezone(UTC)
    return (stamp - EPOCH) // timedelta(microseconds=1)


def instant_of(text: str, zone: ZoneInfo, option: str) -> int:
    """A local date is its beginning. Raises BadQuestion, which names the option."""
    if _DAY.fullmatch(text):
        try:
            day = date.fromisoformat(text)
        except ValueError as refused:
            raise BadQuestion(option, f"{text!r} is not in the calendar ({refused})") from refused
        if not YEAR_LEAST <= day.year <= YEAR_MOST:
            raise BadQuestion(option, f"{text!r} is out of range; years {YEAR_LEAST} to {YEAR_MOST} are known")
        return day_begins_us(day, zone)
    try:
        return from_text(text, option)
    except BadFact as error:
        problem = f"{text[:40]!r} is no time; write 2026-11-25 or 2026-11-25T09:00:00Z"
        raise BadQuestion(option, problem) from error
