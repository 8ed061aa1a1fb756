"""The periods that there are accounts of: months, the site's own, closed ones; and the sums of one of them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.own_periods import OwnPeriod
from pagereeve.domain.accounts.periods import Period, local, period_of
from pagereeve.domain.accounts.printer_accounts import AccountsOfPeriod, PrinterAccounts
from pagereeve.domain.brackets.expectation import CLAIMED_CHANNELS
from pagereeve.ports.closing import ClosedPeriod, NotClosed
from pagereeve.ports.reads import Reads
from pagereeve.queries.as_sealed import period_of_closed
from pagereeve.queries.closed_periods import closed_export
from pagereeve.queries.totals import accounts_read

SHOWN_MAX: Final = 12
"""So many months are listed at once, so many of the site's own periods, and so many closed ones beside them."""


@dataclass(slots=True)
class UnitSum:
    """All printers' pages of one unit, in channels that are billed: the others are parts of these."""

    unit: str
    counted: int = 0
    people: int = 0
    house: int = 0

    @property
    def difference(self) -> int:
        """What was counted and is in no account: 0 where everything adds up."""
        return self.counted - self.people - self.house


@dataclass(frozen=True, slots=True)
class PeriodLine:
    """``differing`` are printers whose accounts are not what their meters counted. ``trouble`` says why the frozen rows
    of a closed period can't be read; then there are no sums.
    """

    period: Period
    sums: tuple[UnitSum, ...] = ()
    differing: tuple[str, ...] = ()
    waiting: int = 0
    closed: ClosedPeriod | None = None
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class Listed:
    """A period, and its close where it is closed."""

    period: Period
    closed: ClosedPeriod | None = None


@dataclass(frozen=True, slots=True)
class AccountPeriods:
    """The latest first. ``older`` is the month before which more follow, "" where none do; ``own_left`` and
    ``closed_left`` are how many are not listed. ``last_whole``: the last month that is over, if it may hold pages.
    """

    months: tuple[Listed, ...] = ()
    older: str = ""
    own: tuple[Listed, ...] = ()
    own_left: int = 0
    closed: tuple[Listed, ...] = ()
    closed_left: int = 0
    last_whole: Listed | None = None


async def sums_in(held: Reads, period: Period) -> PeriodLine:
    """``held`` is of one moment."""
    closed = next((one for one in await held.closed_periods() if one.name == period.name), None)
    if closed is None:
        accounts, _ = await accounts_read(held, period)
        return line_of(period, accounts)
    try:
        export = await closed_export(held, closed, "printer")
    except NotClosed as error:
        return PeriodLine(period_of_closed(closed), closed=closed, trouble=str(error))
    return line_of(export.period, export.accounts, closed)


async def account_periods(
    reads: Reads, zone: ZoneInfo, own: Sequence[OwnPeriod], now_us: int, before: str | None = None
) -> AccountPeriods:
    """``before``: months before that one alone. All of it is read at one moment. Raises BadQuestion."""
    async with reads.snapshot() as held:
        closed = {one.name: one for one in await held.closed_periods()}
        begins_us = await _begins_us(held, closed.values())
        newest_us = await held.newest_us()
    if begins_us is None:
        return AccountPeriods()

    def listed(periods: Iterable[Period]) -> tuple[Listed, ...]:
        return tuple(Listed(one, closed.get(one.name)) for one in periods)

    ends_us = now_us if newest_us is None else min(now_us, newest_us)
    ends_us = ends_us if before is None else min(ends_us, period_of(before, zone).from_us - 1)
    months, older = _months(begins_us, ends_us, zone)
    if before is not None:
        return AccountPeriods(listed(months), older)
    begun = [one.period(zone) for one in reversed(own)]
    begun = [one for one in begun if one.from_us <= now_us and one.to_us > begins_us]
    shown = {one.name for one in begun}
    others = [period_of_closed(one) for one in reversed(closed.values()) if one.name not in shown]
    others = [one for one in others if not _is_month(one.name)]
    last = _last_whole(now_us, zone)
    return AccountPeriods(
        months=listed(months),
        older=older,
        own=listed(begun[:SHOWN_MAX]),
        own_left=max(0, len(begun) - SHOWN_MAX),
        closed=listed(others[:SHOWN_MAX]),
        closed_left=max(0, len(others) - SHOWN_MAX),
        last_whole=Listed(last, closed.get(last.name)) if last.to_us > begins_us else None,
    )


async def _begins_us(held: Reads, closed: Iterable[ClosedPeriod]) -> int | None:
    """A closed period stays, whatever became of what it was made of."""
    first_us = await held.first_pages_us()
    known = [one.closing.from_us for one in closed]
    return min(known if first_us is None else [first_us, *known], default=None)


def line_of(period: Period, accounts: AccountsOfPeriod, closed: ClosedPeriod | None = None) -> PeriodLine:
    billed = [one for one in accounts.lines if one.channel in CLAIMED_CHANNELS]
    return PeriodLine(
        period=period,
        sums=tuple(unit_sums(billed)),
        differing=tuple(sorted({one.printer for one in accounts.lines if not one.conserved})),
        waiting=sum(one.releases_waiting for one in billed),
        closed=closed,
    )


def unit_sums(billed: Iterable[PrinterAccounts]) -> list[UnitSum]:
    """One for each unit: different ones are never added up."""
    sums: dict[str, UnitSum] = {}
    for line in billed:
        one = sums.setdefault(line.unit, UnitSum(line.unit))
        one.counted += line.counted
        one.people += line.people
        one.house += line.house
    return [sums[unit] for unit in sorted(sums)]


def _months(begins_us: int, ends_us: int, zone: ZoneInfo) -> tuple[list[Period], str]:
    """The latest first, and the one before which more follow."""
    first, day = local(begins_us, zone).date().replace(day=1), local(ends_us, zone).date().replace(day=1)
    found: list[Period] = []
    while day >= first and len(found) < SHOWN_MAX:
        found.append(_month(day, zone))
        day = (day - timedelta(days=1)).replace(day=1)
    return found, found[-1].name if found and day >= first else ""


def _month(day: date, zone: ZoneInfo) -> Period:
    return period_of(f"{day:%Y-%m}", zone)


def _last_whole(now_us: int, zone: ZoneInfo) -> Period:
    return _month(local(now_us, zone).date().replace(day=1) - timedelta(days=1), zone)


def _is_month(name: str) -> bool:
    """A name of the form 2026-11."""
    return len(name) == len("2026-11") and name[:4].isdigit() and name[4] == "-" and name[5:].isdigit()
