"""Exports of a closed period from its frozen rows alone, and what came since."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.adjustments import Adjustment, Difference
from pagereeve.domain.accounts.decided_totals import (
    add_decisions,
    release_rows,
    with_decisions,
    with_decisions_by_printer,
)
from pagereeve.domain.accounts.decisions import DecisionPosting
from pagereeve.domain.accounts.export_rows import (
    Adding,
    ExportBy,
    ExportRow,
    house_rows,
    people_row,
    release_row,
)
from pagereeve.domain.accounts.frozen import (
    FrozenCharge,
    FrozenDecision,
    FrozenEdge,
    FrozenHouse,
    FrozenLine,
    FrozenSaid,
)
from pagereeve.domain.accounts.people import People
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.accounts.printer_accounts import AccountsOfPeriod, PrinterAccounts
from pagereeve.domain.accounts.totals import By, Total, Totals
from pagereeve.domain.facts.closed import PeriodClosed
from pagereeve.domain.facts.erased import Erased
from pagereeve.domain.ledger import Charge, account_kind
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.ports.closing import ClosedPeriod, NotClosed
from pagereeve.ports.reads import Reads
from pagereeve.ports.seal import SealHead
from pagereeve.queries.closing import detailed_rows
from pagereeve.queries.exports import Export, with_totals


async def closed_as(reads: Reads, period: Period) -> ClosedPeriod | None:
    """The closed period that is asked for: of that name and zone, or of the same instants. Raises NotClosed where it is
    not what its fact says.
    """
    for one in await reads.closed_periods():
        known = one.closing
        named = known.name == period.name and known.zone == period.zone.key
        if named or (known.from_us, known.to_us, known.zone) == (period.from_us, period.to_us, period.zone.key):
            await require_as_sealed(reads, one)
            return one
    return None


async def require_as_sealed(reads: Reads, closed: ClosedPeriod) -> None:
    """What the table of closed periods says must be what the sealed fact says; names are erased by an erasure alone.

    Raises NotClosed.
    """
    fact, fact_seq, erased_seq = None, 0, 0
    async for stored in reads.facts(""):
        if isinstance(stored.fact, PeriodClosed) and stored.fact.name == closed.name:
            fact, fact_seq = stored.fact, stored.seq
        elif isinstance(stored.fact, Erased):
            erased_seq = max(erased_seq, stored.seq)
    unexplained = bool(closed.erased_sha256) and erased_seq < fact_seq
    if fact is None or unexplained or _said_of(closed) != _said_by(fact):
        raise NotClosed(
            f"{closed.name} is not closed as the fact of its close says: the journal is damaged or was changed; "
            "pagereeve verify shows what, a backup holds what was"
        )


def _said_of(closed: ClosedPeriod) -> tuple[str | int, ...]:
    one = closed.closing
    return (one.zone, one.database, one.from_us, one.to_us, one.size, one.head, closed.rows, closed.sha256)


def _said_by(fact: PeriodClosed) -> tuple[str | int, ...]:
    return (fact.zone, fact.database, fact.from_us, fact.to_us, fact.size, fact.head, fact.rows, fact.sha256)


async def closed_named(reads: Reads, name: str) -> ClosedPeriod:
    """Raises BadQuestion."""
    known = await reads.closed_periods()
    found = next((one for one in known if one.name == name), None)
    if found is None:
        names = ", ".join(one.name for one in known[-3:]) or "none yet"
        raise BadQuestion("--since", f"{name[:40]!r} is no closed period; the last ones are: {names}")
    return found


def period_of_closed(closed: ClosedPeriod) -> Period:
    one = closed.closing
    return Period(one.name, ZoneInfo(one.zone), one.from_us, one.to_us)


def seal_head_of(closed: ClosedPeriod) -> SealHead:
    """The head that the close saw."""
    one = closed.closing
    return SealHead(one.journal, one.size, one.head, None, 0)


@dataclass(slots=True)
class _Frozen:
    """What stands before the charges of a closed period; ``charges`` is how many follow."""

    accounts: AccountsOfPeriod
    house: list[FrozenHouse]
    decided: list[FrozenDecision]
    people: People
    charges: int

    @property
    def standing(self) -> AccountsOfPeriod:
        """The accounts with what decisions moved."""
        return with_decisions(self.accounts, [one.posting for one in self.decided])


async def closed_export(held: Reads, closed: ClosedPeriod, by: ExportBy) -> Export:
    """As queries.exports.export_of, from frozen rows. Raises NotClosed where they are not as they were frozen."""
    frozen = await _frozen_of(held, closed)
    adding = Adding(frozen.accounts)
    rows = with_totals(_rows_of(held, closed, by, frozen), adding)
    steps = frozen.charges if by in {"day", "release"} else 0
    return Export(period_of_closed(closed), by, frozen.standing, seal_head_of(closed), steps, adding, rows)


async def closed_lines(held: Reads, closed: ClosedPeriod, by: By) -> tuple[Sequence[Total], AccountsOfPeriod]:
    """What a table shows."""
    frozen = await _frozen_of(held, closed)
    return await _lines_of(held, closed, by, frozen), frozen.standing


async def _frozen_of(held: Reads, closed: ClosedPeriod) -> _Frozen:
    lines: list[PrinterAccounts] = []
    edges, house, decided, people, before = [], [], [], People(), 0
    rows = held.frozen_rows(closed)
    async for row in rows:
        if isinstance(row, FrozenCharge):
            break
        before += 1
        if isinstance(row, FrozenLine):
            lines.append(row.accounts)
        elif isinstance(row, FrozenEdge):
            edges.append(row.edge)
        elif isinstance(row, FrozenHouse):
            house.append(row)
        elif isinstance(row, FrozenDecision):
            decided.append(row)
        elif isinstance(row, FrozenSaid):
            people.add(row.fact)
    return _Frozen(AccountsOfPeriod(tuple(lines), tuple(edges)), house, decided, people, closed.rows - before)


async def _charges(held: Reads, closed: ClosedPeriod) -> AsyncIterator[FrozenCharge]:
    async for row in held.frozen_rows(closed):
        if isinstance(row, FrozenCharge):
            yield row


async def _rows_of(held: Reads, closed: ClosedPeriod, by: ExportBy, frozen: _Frozen) -> AsyncIterator[ExportRow]:
    if by == "day":
        async for row in _of_days(held, closed, frozen):
            yield row
        return
    if by == "release":
        async for one in _charges(held, closed):
            yield release_row(one.charge)
        for row in house_rows(frozen.accounts.lines, by):
            yield row
        for row in release_rows(one.posting for one in frozen.decided):
            yield row
        return
    for line in await _lines_of(held, closed, by, frozen):
        yield people_row(line)
    for row in house_rows(frozen.standing.lines, by):
        yield row


async def _lines_of(held: Reads, closed: ClosedPeriod, by: By, frozen: _Frozen) -> Sequence[Total]:
    totals = Totals(by, frozen.people)
    async for one in _charges(held, closed):
        if by == "cost-centre":
            totals.merge(one.cost_centre, _total_of(one.charge), one.charge.started_us)
        else:
            totals.add(one.charge)
    add_decisions(totals, [one.posting for one in frozen.decided], frozen.people)
    return totals.lines()


def _total_of(charge: Charge) -> Total:
    total = Total("", charge.channel, "" if charge.unit is None else charge.unit.value)
    total.add(charge)
    return total


async def _of_days(held: Reads, closed: ClosedPeriod, frozen: _Frozen) -> AsyncIterator[ExportRow]:
    people: dict[tuple[str, bool, str, str], Total] = {}
    moved: dict[str, list[DecisionPosting]] = {}
    async for charge in _charges(held, closed):
        _add_to_day(people, charge.day, _total_of(charge.charge))
    for decided in frozen.decided:
        moved.setdefault(decided.day, []).append(decided.posting)
        for total in with_decisions_by_printer([], [decided.posting]):
            _add_to_day(people, decided.day, total)
    for _, total in sorted(people.items(), key=lambda item: item[0]):
        yield people_row(total)
    counted = {day: _accounts_of_day(rows) for day, rows in groupby(frozen.house, key=lambda one: one.day)}
    for day in sorted(counted.keys() | moved.keys()):
        accounts = with_decisions(AccountsOfPeriod(tuple(counted.get(day, ())), ()), moved.get(day, ()))
        for row in house_rows(accounts.lines, "day", day):
            yield row


def _add_to_day(people: dict[tuple[str, bool, str, str], Total], day: str, total: Total) -> None:
    key = (day, not total.billed, total.channel, total.unit)
    people.setdefault(key, Total(day, total.channel, total.unit)).merge(total)


def _accounts_of_day(rows: Iterable[FrozenHouse]) -> list[PrinterAccounts]:
    lines: dict[tuple[str, str, str], PrinterAccounts] = {}
    for one in rows:
        key = (one.printer, one.channel, one.unit)
        lines.setdefault(key, PrinterAccounts(*key)).received[account_kind(one.account)] += one.pages
    return list(lines.values())


async def adjustments_to(held: Reads, closed: ClosedPeriod) -> list[Adjustment]:
    """What the ledger says of the closed period today, less what was frozen; ``held`` is of one moment."""
    await require_as_sealed(held, closed)
    difference = Difference()
    async for row in held.frozen_rows(closed):
        difference.add_frozen(row)
    async for row in detailed_rows(held, period_of_closed(closed), by_day=False):
        difference.add_current(row)
    return difference.adjustments()
