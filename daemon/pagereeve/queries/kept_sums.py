"""Sums of a whole period of which only those printers are read anew whose rows changed since the last question.

What they are made of is in rows of the ledger alone, and a counter of each printer moves on in the transaction that
replaces its rows. Who is who, decisions, what is closed and what waits are asked for each time. Without anything kept
(commands, a close) everything is read.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import asynccontextmanager
from typing import Final

from pagereeve.domain.accounts.charge_sums import ChargeSum, LoginSums
from pagereeve.domain.accounts.period_sums import Span
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.accounts.printer_accounts import AccountsOfPeriod, accounts_of
from pagereeve.domain.accounts.printer_parts import accounts_with, parts_of, totals_of
from pagereeve.domain.accounts.totals import OPEN, Total
from pagereeve.ports.kept_sums import KeptSpan, KeptSums
from pagereeve.ports.reads import Reads
from pagereeve.queries.waiting import pages_waiting

READ_ANEW_MAX: Final = 256
"""So many printers are read one by one; where more changed, all are read at once."""
ROWS_AT_ONCE: Final = 2_000
RELEASES_MAX: Final = 500_000
"""Of longer periods persons' sums are added up by the database each time."""

Versions = Mapping[str, int]


async def accounts_in(held: Reads, period: Period) -> tuple[AccountsOfPeriod, Sequence[Total]]:
    """Where the pages of a period went as counts have it, and the printers' totals, to be read only; ``held`` is of one
    moment.
    """
    if held.kept is None:
        sums = await held.period_sums(period.from_us, period.to_us)
        return accounts_of(period, sums, await _waiting(held, sums.by_printer)), sums.by_printer
    async with _of_now(held, held.kept.sums, "printers", (period.from_us, period.to_us)) as (span, versions):
        moved = _moved(span, versions)
        if moved is None:
            span.parts = parts_of(period, await held.period_sums(period.from_us, period.to_us))
        elif moved:
            found = parts_of(period, await held.sums_of_printers(period.from_us, period.to_us, moved))
            span.parts = {name: one for name, one in span.parts.items() if name not in moved} | found
        span.versions = versions
        parts = span.parts
    totals = totals_of(parts)
    return accounts_with(parts, await _waiting(held, totals)), totals


async def persons_totals(
    held: Reads, spans: Sequence[Span], releases: int
) -> AsyncIterator[tuple[int, Sequence[Total]]]:
    """Of each span its beginning, and its lines by person, where nobody is named; to be read only.

    ``releases``: so many lie in all of them at most.
    """
    for from_us, to_us in spans:
        if held.kept is None or releases > RELEASES_MAX:
            yield from_us, await held.charge_totals("person", from_us, to_us)
            continue
        async with _of_now(held, held.kept.sums, "persons", (from_us, to_us)) as (span, versions):
            moved = _moved(span, versions)
            if moved is None:
                span.logins = await _all_logins(held, from_us, to_us)
            elif moved:
                sums = [one async for one in held.charge_sums(from_us, to_us, moved)]
                # Nothing that breaks off in between leaves halves that look whole.
                span.versions = None
                span.logins.replace(moved, sums)
            span.versions = versions
            lines = span.logins.lines()
        yield from_us, lines


@asynccontextmanager
async def _of_now(held: Reads, kept: KeptSums, kind: str, of: Span) -> AsyncIterator[tuple[KeptSpan, Versions]]:
    """One question at a time brings a span up to date, and others wait for it, no longer than a question may take."""
    async with kept.asking:
        state, linked = await held.rows_state(kept.latest.size)
        span = kept.span(kind, *of) if kept.follow(state, linked) else KeptSpan()
    async with span.turn:
        yield span, state.versions
    kept.trim()


async def _all_logins(held: Reads, from_us: int, to_us: int) -> LoginSums:
    logins, some = LoginSums(), list[ChargeSum]()
    async for one in held.charge_sums(from_us, to_us):
        some.append(one)
        if len(some) == ROWS_AT_ONCE:
            logins.replace((), some)
            some.clear()
    logins.replace((), some)
    return logins


def _moved(span: KeptSpan, versions: Versions) -> list[str] | None:
    """Printers whose rows are others than those that are known, older or newer; None: all are to be read."""
    known = span.versions
    if known is None or not known.keys() <= versions.keys():
        return None
    if known == versions:
        return []
    moved = sorted(printer for printer, version in versions.items() if known.get(printer, 0) != version)
    return moved if len(moved) <= READ_ANEW_MAX else None


async def _waiting(held: Reads, totals: Sequence[Total]) -> Mapping[tuple[str, str], int | None]:
    return await pages_waiting(held, sorted({one.who for one in totals if one.verdicts[OPEN]}))
