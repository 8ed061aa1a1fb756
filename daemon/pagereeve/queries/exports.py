"""The rows of an export, one after the other: memory hangs on people, printers or days, not on releases."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterable, Sequence
from dataclasses import dataclass, field

from pagereeve.domain.accounts.adjustment_rows import adjustment_rows
from pagereeve.domain.accounts.decided_totals import release_rows, with_decisions, with_decisions_by_printer
from pagereeve.domain.accounts.decisions import in_force
from pagereeve.domain.accounts.entries import Correction
from pagereeve.domain.accounts.export_rows import (
    Adding,
    ExportBy,
    ExportRow,
    house_rows,
    people_row,
    release_row,
)
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.accounts.printer_accounts import AccountsOfPeriod, accounts_of
from pagereeve.domain.accounts.sites_behind import SiteBehind
from pagereeve.domain.accounts.totals import Total
from pagereeve.ports.reads import Reads
from pagereeve.ports.seal import SealHead
from pagereeve.queries.adjustments import outstanding_in
from pagereeve.queries.day_sums import sums_by_day
from pagereeve.queries.page_decisions import decided_in, ruled
from pagereeve.queries.people import people_of
from pagereeve.queries.sites_behind import sites_behind
from pagereeve.queries.totals import accounts_read, lines_of


@dataclass(frozen=True, slots=True)
class Export:
    """``rows`` may be gone through once, while ``reads`` stand at their moment; ``adding`` then knows whether they add
    up. ``steps``: how many releases or days there are to go through. ``corrections`` are of earlier closed periods.
    ``sites_behind`` as queries.totals.TotalsAnswer has them.
    """

    period: Period
    by: ExportBy
    accounts: AccountsOfPeriod
    seal: SealHead | None
    steps: int
    adding: Adding
    rows: AsyncIterator[ExportRow] = field(compare=False)
    corrections: Sequence[Correction] = ()
    sites_behind: Sequence[SiteBehind] = ()


async def export_of(held: Reads, period: Period, by: ExportBy) -> Export:
    """``held`` is of one moment. By day, raises BadQuestion for a period without two ends."""
    accounts, by_printer = await accounts_read(held, period)
    corrections = await outstanding_in(held, period)
    adding = Adding(accounts, corrections)
    days = period.days() if by == "day" else []
    # Each channel of a release is a row.
    steps = len(days) or sum(one.releases for one in by_printer)
    if by == "day":
        rows = _of_days(held, days)
    elif by == "release":
        rows = _of_releases(held, period)
    else:
        rows = _of_lines(await lines_of(held, period, by, by_printer), accounts, by)
    adjustments = list(adjustment_rows(corrections, by, await people_of(held))) if corrections else []
    whole = with_totals(rows, adding, adjustments)
    behind = await sites_behind(held, period)
    return Export(period, by, accounts, await held.seal_head(), steps, adding, whole, corrections, behind)


async def with_totals(
    rows: AsyncIterator[ExportRow], adding: Adding, adjustments: Iterable[ExportRow]
) -> AsyncIterator[ExportRow]:
    async for row in rows:
        yield adding.add(row)
    for row in adjustments:
        yield adding.add(row)
    for row in adding.totals():
        yield row


async def _of_lines(lines: Sequence[Total], accounts: AccountsOfPeriod, by: ExportBy) -> AsyncIterator[ExportRow]:
    for line in lines:
        yield people_row(line)
    for row in house_rows(accounts.lines, by):
        yield row


async def _of_releases(held: Reads, period: Period) -> AsyncIterator[ExportRow]:
    """Releases and house accounts as counts have them; then what decisions change, each with its row."""
    async for charge in held.charges(period.from_us, period.to_us):
        yield release_row(charge)
    sums = await held.period_sums(period.from_us, period.to_us)
    for row in house_rows(accounts_of(period, sums).lines, "release"):
        yield row
    for row in release_rows(await decided_in(held, period)):
        yield row


async def _of_days(held: Reads, days: Sequence[Period]) -> AsyncIterator[ExportRow]:
    """Each day is a period of its own, so that what lies over a midnight belongs to one day by the one rule."""
    house: list[ExportRow] = []
    decided = in_force(await ruled(held))
    async for day, sums in sums_by_day(held, days):
        people: dict[tuple[bool, str, str], Total] = {}
        of_day = [one for one in decided if day.holds(one.at_us)]
        for one in with_decisions_by_printer(sums.by_printer, of_day):
            key = (not one.billed, one.channel, one.unit)
            people.setdefault(key, Total(day.name, one.channel, one.unit)).merge(one)
        for _, total in sorted(people.items(), key=lambda item: item[0]):
            yield people_row(total)
        house += house_rows(with_decisions(accounts_of(day, sums), of_day).lines, "day", day.name)
    for row in house:
        yield row
