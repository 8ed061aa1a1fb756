"""``pagereeve ledger``."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, BinaryIO

from cyclopts import Parameter

from pagereeve.app.replay import collect_seldom
from pagereeve.cli.journal import open_reads
from pagereeve.cli.options import CONFIG_DEFAULT, Config, DataDir, From, PeriodName, Printer, To, Zone
from pagereeve.cli.output import complain, output_file
from pagereeve.cli.site import site_of
from pagereeve.domain.accounts.periods import Period
from pagereeve.ports.closing import ClosedPeriod
from pagereeve.ports.reads import Reads
from pagereeve.queries.as_sealed import period_of_closed
from pagereeve.queries.closed_ledger import closed_ledger
from pagereeve.queries.closed_periods import closed_as, seal_head_of
from pagereeve.queries.ledger import rows_of
from pagereeve.queries.page_decisions import decided_in
from pagereeve.reports.as_closed import changed_line, made_lines
from pagereeve.reports.beancount import LedgerText
from pagereeve.reports.beancount_closed import closed_entry_lines


def ledger(
    *,
    period: PeriodName = None,
    from_: From = None,
    to: To = None,
    zone: Zone = None,
    printer: Printer = None,
    out: Annotated[Path | None, Parameter(help="Output file, replaced atomically.")] = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> None:
    """The postings of the period, as plain-text double entry (beancount syntax).

    Of a stretch over an edge of the period, the legs that belong to the period: each charge by the start of its
    release, what goes to house accounts by the first start. After them, what decisions about pages moved.
    """
    asked = site_of(config, data_dir, zone).chosen(period, from_, to)
    collect_seldom()
    asyncio.run(_write(config, data_dir, asked, printer, out))


async def _write(config: Path, data_dir: Path | None, period: Period, printer: str | None, out: Path | None) -> None:
    async with open_reads(config, data_dir) as reads, reads.snapshot() as held:
        closed = await closed_as(held, period)
        if closed is not None:
            await _write_closed(held, closed, printer, out)
            return
        text = LedgerText(period.zone)
        with output_file(out) as file:
            _put(file, text.beginning(await held.seal_head()))
            async for rows in rows_of(held, period, printer):
                file.write("".join(map(text.entry, rows)).encode())
            for posting in await decided_in(held, period):
                if printer in {None, posting.printer}:
                    _put(file, text.decision(posting))
            _put(file, text.balances())


async def _write_closed(held: Reads, closed: ClosedPeriod, printer: str | None, out: Path | None) -> None:
    """Of the frozen rows alone."""
    zone, known = period_of_closed(closed).zone, await closed_ledger(held, closed, printer)
    text, made = LedgerText(zone), made_lines(known.as_closed)
    for line in [*made, changed_line(known.as_closed)]:
        complain(line)
    with output_file(out) as file:
        beginning = [*text.beginning(seal_head_of(closed)), *(f"; {line}" for line in made)]
        _put(file, beginning)
        async for one in known.entries:
            _put(file, closed_entry_lines(text, one, zone))
        _put(file, text.balances())


def _put(file: BinaryIO, lines: Iterable[str]) -> None:
    text = "\n".join(lines)
    if text:
        file.write(f"{text}\n".encode())
