"""Closing a period: what stands in its way, and the rows that it freezes."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass

from pagereeve.domain.accounts.closing import (
    NAMES_MAX,
    ChargesSeen,
    Concern,
    FindingsSeen,
    OutOfOrder,
    Span,
    concerns_of,
    order_trouble,
)
from pagereeve.domain.accounts.frozen import (
    FrozenAdjustment,
    FrozenCharge,
    FrozenDecision,
    FrozenEdge,
    FrozenHead,
    FrozenHouse,
    FrozenLine,
    FrozenRow,
    FrozenSaid,
)
from pagereeve.domain.accounts.people import People
from pagereeve.domain.accounts.period_sums import PeriodSums
from pagereeve.domain.accounts.periods import ALWAYS_US, Period
from pagereeve.domain.accounts.printer_accounts import AccountsOfPeriod, accounts_of
from pagereeve.domain.ledger import HOUSE_ACCOUNTS, account_kind
from pagereeve.ports.closing import ClosedPeriod
from pagereeve.ports.findings import FindingFilter, FindingsPage
from pagereeve.ports.reads import Reads
from pagereeve.queries.adjustments import outstanding_in
from pagereeve.queries.day_sums import sums_by_day
from pagereeve.queries.newest_reading import newest_plateaus
from pagereeve.queries.noted_readings import panels_read_us
from pagereeve.queries.page_decisions import decided_in
from pagereeve.queries.sites_behind import sites_to_wait_for
from pagereeve.queries.totals import accounts_counted, accounts_read


@dataclass(frozen=True, slots=True)
class ClosingLook:
    """``trouble``: it can't be closed at all, whatever is said; else ``concerns`` are what there is to know before."""

    period: Period
    trouble: OutOfOrder | None
    concerns: tuple[Concern, ...] = ()

    @property
    def hindrances(self) -> list[Concern]:
        return [one for one in self.concerns if one.hinders]


def span_of(closed: ClosedPeriod) -> Span:
    return Span(closed.name, closed.closing.from_us, closed.closing.to_us)


async def look_before_close(held: Reads, period: Period, now_us: int) -> ClosingLook:
    """``held`` is of one moment."""
    closed = [span_of(one) for one in await held.closed_periods()]
    wanted = Span(period.name, period.from_us, period.to_us)
    trouble = order_trouble(wanted, closed, await held.first_pages_us(), now_us, ALWAYS_US)
    if trouble is not None:
        return ClosingLook(period, trouble)
    accounts, _ = await accounts_read(held, period)
    seen = ChargesSeen()
    async for charge in held.doubtful_charges(period.from_us, period.to_us):
        seen.add(charge)
    silent = await _silent(held, period, accounts)
    sites = await sites_to_wait_for(held, period)
    found = concerns_of(accounts, seen, await _open_findings(held, period), silent, len(held.damaged()), sites)
    return ClosingLook(period, None, tuple(found))


async def _silent(held: Reads, period: Period, accounts: AccountsOfPeriod) -> list[str]:
    """Printers with pages in the period whose meter (where there is none, whose panel) gave no count since its end."""
    panels_us = await panels_read_us(held)
    printers = sorted({line.printer for line in accounts.lines})
    plateaus = await newest_plateaus(held, printers)
    silent = []
    for printer in printers:
        newest = plateaus.get(printer)
        read_us = panels_us.get(printer) if newest is None else newest.last_received_us
        if read_us is None or read_us < period.to_us:
            silent.append(printer)
    return silent


async def _open_findings(held: Reads, period: Period) -> FindingsSeen:
    """Counted by the database: of a large site's month they are tens of thousands."""
    wanted = FindingFilter("open", from_us=period.from_us, to_us=period.to_us)
    counts = await held.count_findings(wanted)
    pages = sum(one.too_many + one.too_few for one in counts) if any(one.about_pages for one in counts) else None
    worst = await held.findings_page(wanted, NAMES_MAX) if counts else FindingsPage((), None)
    names = tuple(one.id for one in worst.findings)
    return FindingsSeen(sum(one.findings for one in counts), pages, names)


async def detailed_rows(held: Reads, period: Period) -> AsyncIterator[FrozenRow]:
    """All that the period's exports are made of, in the order of FrozenRow; ``held`` is of one moment."""
    for printer, seq in await held.timeline_heads():
        yield FrozenHead(printer, seq)
    for correction in await outstanding_in(held, period):
        yield FrozenAdjustment(correction)
    accounts, _ = await accounts_counted(held, period)
    for line in accounts.lines:
        yield FrozenLine(line)
    for edge in accounts.edges:
        yield FrozenEdge(edge)
    days = period.days()
    async for day, sums in sums_by_day(held, days):
        for house in _house_of(day, sums):
            yield house
    said = [fact async for fact in held.people_facts()]
    for fact in said:
        yield FrozenSaid(fact)
    people = People(said)
    begins_us = [day.from_us for day in days]
    for posting in await decided_in(held, period):
        yield FrozenDecision(posting, days[bisect_right(begins_us, posting.at_us) - 1].name)
    async for charge in held.charges(period.from_us, period.to_us):
        day = days[bisect_right(begins_us, charge.started_us) - 1]
        yield FrozenCharge(charge, people.at(charge.owner, charge.started_us), day.name)


def _house_of(day: Period, sums: PeriodSums) -> Sequence[FrozenHouse]:
    lines = accounts_of(day, sums).lines
    return [
        FrozenHouse(day.name, line.printer, line.channel, line.unit, account, pages)
        for line in lines
        for account in HOUSE_ACCOUNTS
        if (pages := line.received[account_kind(account)])
    ]
