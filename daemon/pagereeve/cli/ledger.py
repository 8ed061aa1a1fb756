"""``pagereeve ledger``."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from pagereeve.cli.journal import open_reads
from pagereeve.cli.options import CONFIG_DEFAULT, Config, DataDir, From, PeriodName, Printer, To, Zone
from pagereeve.cli.output import output_file
from pagereeve.cli.site import site_of
from pagereeve.domain.accounts.periods import Period
from pagereeve.queries.ledger import entries_of
from pagereeve.queries.page_decisions import decided_in
from pagereeve.reports.beancount import LedgerText


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
    asyncio.run(_write(config, data_dir, asked, printer, out))


async def _write(config: Path, data_dir: Path | None, period: Period, printer: str | None, out: Path | None) -> None:
    text = LedgerText(period.zone)
    async with open_reads(config, data_dir) as reads, reads.snapshot() as held:
        with output_file(out) as file:
            file.writelines(f"{line}\n".encode() for line in text.beginning(await held.seal_head()))
            async for one in entries_of(held, period, printer):
                file.writelines(f"{line}\n".encode() for line in text.entry(one.posting, one.stretch, one.at_us))
            for posting in await decided_in(held, period):
                if printer in {None, posting.printer}:
                    file.writelines(f"{line}\n".encode() for line in text.decision(posting))
            file.writelines(f"{line}\n".encode() for line in text.balances())
