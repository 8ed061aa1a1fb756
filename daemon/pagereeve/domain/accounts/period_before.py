"""The period before a period, to compare with: the calendar's own where it is one of these, else as long a one."""

from __future__ import annotations

from dataclasses import replace

from pagereeve.domain.accounts.periods import ALWAYS_US, Period, day_begins_us, is_calendar_name, local, period_of
from pagereeve.domain.values.errors import PagereeveError


def period_before(period: Period) -> Period | None:
    """It ends where ``period`` begins. None where that has no beginning or no end."""
    if period.from_us <= 0 or period.to_us >= ALWAYS_US:
        return None
    return _of_the_calendar(period) or _as_long(period)


def _of_the_calendar(period: Period) -> Period | None:
    if not is_calendar_name(period.name):
        return None
    day = local(period.from_us - 1, period.zone).date()
    year, week, _ = day.isocalendar()
    names = (
        f"{day.year:04}",
        f"{day.year:04}-Q{(day.month + 2) // 3}",
        f"{day.year:04}-{day.month:02}",
        f"{year:04}-W{week:02}",
        day.isoformat(),
    )
    try:
        known = [period_of(name, period.zone) for name in names]
    except PagereeveError:
        # The calendar begins with 1970.
        return None
    length_us = period.to_us - period.from_us
    fitting = [one for one in known if one.to_us == period.from_us]
    return min(fitting, key=lambda one: abs(one.to_us - one.from_us - length_us), default=None)


def _as_long(period: Period) -> Period:
    """As many local days where it begins and ends with days, else as many microseconds."""
    begin, end = local(period.from_us, period.zone).date(), local(period.to_us, period.zone).date()
    edges = (day_begins_us(begin, period.zone), day_begins_us(end, period.zone))
    if edges == (period.from_us, period.to_us):
        from_us = day_begins_us(begin - (end - begin), period.zone)
    else:
        from_us = 2 * period.from_us - period.to_us
    return replace(period, name=f"before {period.name}", from_us=max(0, from_us), to_us=period.from_us)
