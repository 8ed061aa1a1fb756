"""Pages to charge per person, cost centre or printer for a period, and where each printer's pages went."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from pagereeve.domain.accounts.adjustment_rows import adjusted, adjustment_rows
from pagereeve.domain.accounts.decided_totals import add_decisions, with_decisions, with_decisions_by_printer
from pagereeve.domain.accounts.entries import Correction
from pagereeve.domain.accounts.export_rows import ExportRow, summed_rows
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.accounts.printer_accounts import AccountsOfPeriod, accounts_of
from pagereeve.domain.accounts.sites_behind import SiteBehind
from pagereeve.domain.accounts.totals import OPEN, By, Total, Totals
from pagereeve.ports.reads import Reads
from pagereeve.ports.seal import SealHead
from pagereeve.queries.adjustments import outstanding_in
from pagereeve.queries.kept_sums import accounts_in, persons_totals
from pagereeve.queries.page_decisions import decided_in
from pagereeve.queries.people import people_of
from pagereeve.queries.sites_behind import sites_behind
from pagereeve.queries.waiting import pages_waiting


@dataclass(frozen=True, slots=True)
class TotalsAnswer:
    """``lines`` are of releases started in the period, ``accounts`` of the same ones.

    ``seal`` is the head of the journal at that moment. ``adjustments`` are rows of ``corrections``, of earlier closed
    periods. ``sites_behind`` are those of which what belongs to the period is not all here.
    """

    period: Period
    by: By
    lines: tuple[Total, ...]
    accounts: AccountsOfPeriod
    seal: SealHead | None = None
    adjustments: tuple[ExportRow, ...] = ()
    corrections: tuple[Correction, ...] = ()
    sites_behind: tuple[SiteBehind, ...] = ()

    def rows(self) -> list[ExportRow]:
        return summed_rows(self.by, self.lines, self.accounts, self.adjustments, self.corrections)

    @property
    def conserved(self) -> bool:
        """Every page counted is accounted for."""
        balanced = all(one.balanced for one in adjusted(self.corrections))
        return balanced and all(line.conserved for line in self.accounts.lines)


async def totals_of(reads: Reads, period: Period, by: By) -> TotalsAnswer:
    """All of it is read at one moment."""
    async with reads.snapshot() as held:
        return replace(await _totals_of(held, period, by), seal=await held.seal_head())


async def _totals_of(held: Reads, period: Period, by: By) -> TotalsAnswer:
    accounts, by_printer = await accounts_read(held, period)
    lines = tuple(await lines_of(held, period, by, by_printer))
    corrections = tuple(await outstanding_in(held, period))
    rows = tuple(adjustment_rows(corrections, by, await people_of(held))) if corrections else ()
    behind = await sites_behind(held, period)
    return TotalsAnswer(period, by, lines, accounts, adjustments=rows, corrections=corrections, sites_behind=behind)


async def accounts_read(
    held: Reads, period: Period, printer: str | None = None
) -> tuple[AccountsOfPeriod, Sequence[Total]]:
    """Where the period's pages went, and the printers' totals, with what was decided; ``held`` is of one moment.

    ``printer``: of that one all is there, and of others nothing but what was decided.
    """
    accounts, by_printer = await accounts_counted(held, period, printer)
    decided = await decided_in(held, period)
    return with_decisions(accounts, decided), with_decisions_by_printer(by_printer, decided)


async def accounts_counted(
    held: Reads, period: Period, printer: str | None = None
) -> tuple[AccountsOfPeriod, Sequence[Total]]:
    """As counts have it, before anybody decided."""
    if printer is None:
        return await accounts_in(held, period)
    sums = await held.period_sums(period.from_us, period.to_us, printer)
    waiting = await pages_waiting(held, sorted({one.who for one in sums.by_printer if one.verdicts[OPEN]}))
    return accounts_of(period, sums, waiting), sums.by_printer


async def lines_of(held: Reads, period: Period, by: By, by_printer: Sequence[Total]) -> Sequence[Total]:
    """From one instant to the next at which a login became somebody else's, or anybody went to another cost centre,
    the sum of each login belongs to one person and one cost centre.
    """
    if by == "printer":
        return by_printer
    people = await people_of(held)
    changes_us = people.changes_us if by == "cost-centre" else people.login_changes_us
    summed = Totals(by, people)
    spans = list(pairwise((period.from_us, *changes_us(period.from_us, period.to_us), period.to_us)))
    releases = sum(one.releases for one in by_printer)
    async for from_us, totals in persons_totals(held, spans, releases):
        for total in totals:
            who = people.at(total.who, from_us) if by == "cost-centre" else total.who
            summed.merge(who, total, from_us)
    add_decisions(summed, await decided_in(held, period), people)
    return summed.lines()
