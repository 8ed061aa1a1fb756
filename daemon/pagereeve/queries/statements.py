"""The statement of a person, a cost centre or a printer: every release of a period, its evidence, and the sums.

It names nobody but the person who is asked for, unless the caller may see names. All of it is read at one moment.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterable, Sequence
from dataclasses import replace
from datetime import date, timedelta
from itertools import groupby
from typing import Final, Literal

from pagereeve.domain.accounts.people import People
from pagereeve.domain.accounts.periods import ALWAYS_US, Period, local
from pagereeve.domain.accounts.printer_accounts import AccountsOfPeriod
from pagereeve.domain.accounts.rates import Bill
from pagereeve.domain.accounts.totals import Total, ordered
from pagereeve.domain.brackets.expectation import CLAIMED_CHANNELS
from pagereeve.domain.charging.postings import COPIES_NOT_APART
from pagereeve.domain.ledger import Charge, Grade
from pagereeve.ports.reads import Reads
from pagereeve.queries.as_closed import AsClosed
from pagereeve.queries.closed_periods import closed_as
from pagereeve.queries.corrections import Corrected, with_corrections
from pagereeve.queries.costs import Prices, cost_lines
from pagereeve.queries.sites_behind import sites_behind
from pagereeve.queries.statement_adjustments import adjustments_of
from pagereeve.queries.statement_decisions import Decided
from pagereeve.queries.statement_lines import Caution, DayChart, GradeSum, Line, Statement, Subject
from pagereeve.queries.statement_rows import StatementRows, frozen_rows_of, rows_of_today

DAYS_MAX: Final = 62
"""A chart of more days is one of months."""
MONTHS_MAX: Final = 120
Bar = tuple[int, int, int]
"""An instant, and the pages charged and unproven at it."""


async def statement_of(
    reads: Reads, subject: Subject, period: Period, prices: Prices | None = None, *, names: bool = False
) -> Statement:
    """``names``: with the owners of a cost centre's or a printer's releases. Raises BadQuestion for too many."""
    async with reads.snapshot() as held:
        rows = await _rows(held, subject, period)
        decided = rows.decided
        corrected = _as_of(rows, await with_corrections(held, _lines(decided.charges)))
        bill = await _bill(held, rows, prices) if rows.frozen_bill is None else rows.frozen_bill
        adjustments = await adjustments_of(held, subject, period, names=names)
        behind = await _behind(held, rows, subject)
    charges = decided.charges
    written = tuple(dict.fromkeys(one.owner for one in charges)) if subject.kind == "person" else ()
    keep = names or subject.kind == "person"
    return Statement(
        subject=Subject("person", written[0]) if written else subject,
        period=rows.period,
        lines=[_shown(line, keep=keep) for line in corrected.lines],
        sums=_sums(decided),
        grades=_grades(charges),
        charts=_charts(decided, rows.period),
        cautions=_cautions(charges, corrected, written, bill, rows.accounts, behind=behind),
        seal=rows.seal,
        also_written=tuple(sorted(written[1:])),
        bill=bill,
        accounts=rows.accounts,
        named=names and subject.kind != "person",
        decided=[one if keep else replace(one, owner="") for one in decided.pages],
        as_closed=None if rows.as_closed is None else _lacking(rows.as_closed, bill),
        adjustments=adjustments,
    )


async def _behind(held: Reads, rows: StatementRows, subject: Subject) -> bool:
    """Is a site whose pages may be among these? Of a closed period what stands there does not change."""
    printer = subject.name if subject.kind == "printer" else ""
    return rows.as_closed is None and bool(await sites_behind(held, rows.period, printer))


async def _rows(held: Reads, subject: Subject, period: Period) -> StatementRows:
    closed = await closed_as(held, period)
    if closed is None:
        return await rows_of_today(held, subject, period)
    return await frozen_rows_of(held, subject, closed)


def _as_of(rows: StatementRows, corrected: Corrected) -> Corrected:
    """Of a closed period, notices that came before the close: what later ones change is no part of it."""
    if rows.as_closed is None:
        return corrected
    closed_us = rows.as_closed.closed.closing.at_us
    lines = [
        replace(line, corrections=tuple(one for one in line.corrections if one.at_us <= closed_us))
        for line in corrected.lines
    ]
    return replace(corrected, lines=lines)


def _lacking(one: AsClosed, bill: Bill | None) -> AsClosed:
    """Where no costs are shown, nothing is missing from them."""
    return one if bill is not None else replace(one, lacks=tuple(lack for lack in one.lacks if lack != "prices"))


def _lines(charges: Iterable[Charge]) -> list[Line]:
    """One for each release: a name that was used again is another one."""
    lines: list[Line] = []
    for _, group in groupby(charges, key=lambda one: (one.started_us, one.printer, one.release)):
        own = list(group)
        billed = tuple(one for one in own if one.channel in CLAIMED_CHANNELS)
        lines.append(Line(billed, tuple(one for one in own if one.channel not in CLAIMED_CHANNELS)))
    return lines


def _shown(line: Line, *, keep: bool) -> Line:
    def bare(charges: Sequence[Charge]) -> tuple[Charge, ...]:
        return tuple(replace(one, job="", owner=one.owner if keep else "") for one in charges)

    return replace(line, charges=bare(line.charges), parts=bare(line.parts))


async def _bill(held: Reads, rows: StatementRows, prices: Prices | None) -> Bill | None:
    """Of the pages as costs has them: the charges as counts have them, and what decisions posted."""
    if prices is None or not prices.rates:
        return None
    bill = Bill()
    for line in await cost_lines(held, _each(rows.charges), rows.decided.postings, "printer", People(), prices):
        bill.merge(line.bill)
    return bill


async def _each(charges: Iterable[Charge]) -> AsyncIterator[Charge]:
    for charge in charges:
        yield charge


def _sums(decided: Decided) -> list[Total]:
    """One for each channel and unit, the billed ones first: different ones are never added up."""
    sums: dict[tuple[str, str], Total] = {}
    for charge in decided.charges:
        key = _channel_of(charge)
        sums.setdefault(key, Total("", *key)).add(charge)
    for one in decided.pages:
        key = (one.channel, one.unit)
        sums.setdefault(key, Total("", *key)).charged += one.pages
    return ordered(sums.values())


def _channel_of(charge: Charge) -> tuple[str, str]:
    return charge.channel, "" if charge.unit is None else charge.unit.value


def _billed(charges: Iterable[Charge]) -> list[Charge]:
    return [one for one in charges if one.channel in CLAIMED_CHANNELS]


def _grades(charges: Iterable[Charge]) -> list[GradeSum]:
    """The best first, what is not judged last."""
    order = [*Grade, None]
    sums: dict[Grade | None, GradeSum] = {}
    for charge in _billed(charges):
        one = sums.setdefault(charge.grade, GradeSum(charge.grade))
        one.releases += 1
        one.charged += charge.charged
        one.unproven += charge.unproven
    return sorted(sums.values(), key=lambda one: order.index(one.grade))


def _charts(decided: Decided, period: Period) -> list[DayChart]:
    channels: dict[tuple[str, str], list[Bar]] = {}
    for charge in _billed(decided.charges):
        channels.setdefault(_channel_of(charge), []).append((charge.started_us, charge.charged, charge.unproven))
    for one in decided.pages:
        if one.billed:
            channels.setdefault((one.channel, one.unit), []).append((one.at_us, one.pages, 0))
    return [_chart(key, sorted(bars), period) for key, bars in sorted(channels.items())]


def _chart(key: tuple[str, str], bars: Sequence[Bar], period: Period) -> DayChart:
    """Days are the zone's own, of 23, 24 or 25 hours."""
    begins_us = period.from_us if period.from_us > 0 else bars[0][0]
    ends_us = period.to_us - 1 if period.to_us < ALWAYS_US else bars[-1][0]
    first, last = local(begins_us, period.zone).date(), local(ends_us, period.zone).date()
    by: Literal["day", "month"] = "day" if (last - first).days < DAYS_MAX else "month"
    spans = {name: [0, 0] for name in _names(first, last, by)}
    for at_us, charged, unproven in bars:
        pages = spans.setdefault(_name(local(at_us, period.zone).date(), by), [0, 0])
        pages[0] += charged
        pages[1] += unproven
    shown = tuple((name, charged, unproven) for name, (charged, unproven) in spans.items())
    return DayChart(*key, by, shown[-MONTHS_MAX:])


def _names(first: date, last: date, by: Literal["day", "month"]) -> list[str]:
    days = range((last - first).days + 1)
    return list(dict.fromkeys(_name(first + timedelta(days=nth), by) for nth in days))


def _name(day: date, by: Literal["day", "month"]) -> str:
    return day.isoformat() if by == "day" else f"{day:%Y-%m}"


def _cautions(
    charges: Sequence[Charge],
    corrected: Corrected,
    written: Sequence[str],
    bill: Bill | None,
    accounts: AccountsOfPeriod | None,
    *,
    behind: bool,
) -> list[Caution]:
    """In the order in which they are read."""
    billed = _billed(charges)
    lines = () if accounts is None else accounts.lines
    holds = {
        Caution.COUNT_IS_OF_A_PRINTER: True,
        Caution.SITES_BEHIND: behind,
        Caution.UNPROVEN: any(one.unproven for one in billed),
        Caution.SHARED: any(one.grade is Grade.SHARED for one in billed),
        Caution.COPIES_NOT_APART: any(COPIES_NOT_APART in one.reasons for one in billed),
        Caution.NOT_JUDGED: any(one.verdict is None for one in billed),
        Caution.CLAIM_UNKNOWN: any(one.released is None for one in billed),
        Caution.SEVERAL_SPELLINGS: len(written) > 1,
        Caution.LATE_NOT_LOOKED_AT: not corrected.complete,
        Caution.UNPRICED: bill is not None and bool(bill.unpriced),
        Caution.OVER_AN_EDGE: accounts is not None and bool(accounts.edges),
        Caution.PRINTS_ALONE: any(one.prints_alone for one in lines),
        Caution.DOES_NOT_ADD_UP: any(not one.conserved for one in lines),
    }
    return [caution for caution, known in holds.items() if known]
