"""Periods that a site names itself, as terms: two local dates, of which the second is the first day after."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches
from itertools import combinations
from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.periods import (
    FORMS,
    YEAR_LEAST,
    YEAR_MOST,
    Period,
    between,
    day_begins_us,
    is_calendar_name,
    period_of,
)
from pagereeve.domain.values.bad_question import BadQuestion


@dataclass(frozen=True, slots=True)
class OwnPeriod:
    """From the beginning of ``first`` up to the beginning of ``after``, in the zone that is asked for."""

    name: str
    first: date
    after: date

    def period(self, zone: ZoneInfo) -> Period:
        return Period(self.name, zone, day_begins_us(self.first, zone), day_begins_us(self.after, zone))


def trouble_of(one: OwnPeriod) -> str:
    """What is wrong with it by itself, and what to do; empty where nothing is."""
    if is_calendar_name(one.name):
        return f"{one.name!r} is a name of the calendar's own periods ({FORMS}); choose another name"
    years = (one.first.year, one.after.year)
    if not all(YEAR_LEAST <= year <= YEAR_MOST for year in years):
        return f"years {YEAR_LEAST} to {YEAR_MOST} are known"
    if one.after <= one.first:
        return f"to ({one.after}) does not come after from ({one.first}); the period ends just before the day of to"
    return ""


def overlaps_of(periods: Sequence[OwnPeriod]) -> list[tuple[str, str]]:
    """Names of those that share days, in order of their beginning. Their sums have pages in common."""
    ordered = sorted(periods, key=lambda one: (one.first, one.after, one.name))
    return [(one.name, other.name) for one, other in combinations(ordered, 2) if other.first < one.after]


def chosen(
    period: str | None, from_: str | None, to: str | None, zone: ZoneInfo, own: Sequence[OwnPeriod] = ()
) -> Period:
    """The period that the options --period or --from and --to name. Raises BadQuestion."""
    if period is None:
        return between(from_, to, zone)
    if from_ is not None or to is not None:
        raise BadQuestion("--period", "can't be used together with --from or --to; use one or the other")
    named = next((one for one in own if one.name == period), None)
    if named is not None:
        return named.period(zone)
    if own and not is_calendar_name(period):
        raise BadQuestion("--period", f"{period[:40]!r} names no period; write {FORMS}{_own_names(period, own)}")
    return period_of(period, zone)


def _own_names(name: str, own: Sequence[OwnPeriod]) -> str:
    names = [one.name for one in own]
    near = get_close_matches(name[:64], names, n=3, cutoff=0.3) or names[-3:]
    return f", or a name of [[periods]], as {', '.join(near)}"
