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
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.ports.reads import Reads
from pagereeve.ports.releases import ReleaseFilter
from pagereeve.queries.corrections import Corrected, with_corrections
from pagereeve.queries.costs import Prices, cost_lines
from pagereeve.queries.page_decisions import decided_in
from pagereeve.queries.people import people_of
from pagereeve.queries.releases import ReleasesAsked, releases_of
from pagereeve.queries.statement_decisions import Decided, with_decided
from pagereeve.queries.statement_lines import Caution, DayChart, GradeSum, Line, Statement, Subject
from pagereeve.queries.totals import accounts_read

CHARGES_MAX: Final = 50_000
"""A statement is held in memory and printed on paper; for more there are exports."""
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
        people = await people_of(held)
        raw = await _charges(held, subject, period)
        decided = with_decided(subject, people, raw, await decided_in(held, period))
        corrected = await with_corrections(held, _lines(decided.charges))
        bill = None if prices is None or not prices.rates else await _bill(held, raw, decided, prices)
        accounts = await _accounts(held, subject, period) if subject.kind == "printer" else None
        seal = await held.seal_head()
    charges = decided.charges
    written = tuple(dict.fromkeys(one.owner for one in charges)) if subject.kind == "person" else ()
    keep = names or subject.kind == "person"
    return Statement(
        subject=Subject("person", written[0]) if written else subject,
        period=period,
        lines=[_shown(line, keep=keep) for line in corrected.lines],
        sums=_sums(decided),
        grades=_grades(charges),
        charts=_charts(decided, period),
        cautions=_cautions(charges, corrected, written, bill, accounts),
        seal=seal,
        also_written=tuple(sorted(written[1:])),
        bill=bill,
        accounts=accounts,
        named=names and subject.kind != "person",
        decided=[one if keep else replace(one, owner="") for one in decided.pages],
    )


async def _charges(held: Reads, subject: Subject, period: Period) -> list[Charge]:
    """In order of start. Of each release all channels."""
    wanted = ReleaseFilter(
        printer=subject.name if subject.kind == "printer" else None,
        from_us=period.from_us,
        to_us=period.to_us,
        billed=False,
    )
    asked = ReleasesAsked(
        wanted,
        cost_centre=subject.name if subject.kind == "cost-centre" else None,
        person=subject.name if subject.kind == "person" else None,
    )
    charges: list[Charge] = []
    async for charge in releases_of(held, asked):
        if len(charges) == CHARGES_MAX:
            many = f"holds more than {CHARGES_MAX} charges, too many for a statement"
            raise BadQuestion("--period", f"{many}; name a shorter one, or use totals")
        charges.append(charge)
    return charges[::-1]


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


async def _bill(held: Reads, charges: Sequence[Charge], decided: Decided, prices: Prices) -> Bill:
    """Of the pages as costs has them: the charges as counts have them, and what decisions posted."""
    bill = Bill()
    for line in await cost_lines(held, _each(charges), decided.postings, "printer", People(), prices):
        bill.merge(line.bill)
    return bill


async def _each(charges: Iterable[Charge]) -> AsyncIterator[Charge]:
    for charge in charges:
        yield charge


async def _accounts(held: Reads, subject: Subject, period: Period) -> AccountsOfPeriod:
    accounts, _ = await accounts_read(held, period)
    return AccountsOfPeriod(
        tuple(one for one in accounts.lines if one.printer == subject.name),
        tuple(one for one in accounts.edges if one.stretch.printer == subject.name),
    )


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
) -> list[Caution]:
    """In the order in which they are read."""
    billed = _billed(charges)
    lines = () if accounts is None else accounts.lines
    holds = {
        Caution.COUNT_IS_OF_A_PRINTER: True,
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
