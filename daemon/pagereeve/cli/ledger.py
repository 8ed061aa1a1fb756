"""``pagereeve ledger``."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from pagereeve.cli.options import CONFIG_DEFAULT, Config, DataDir, From, PeriodName, Printer, To, Zone, open_reads

if TYPE_CHECKING:
    from pagereeve.domain.accounts.periods import Period
    from pagereeve.domain.ledger import Posting
    from pagereeve.ports.reads import Reads
    from pagereeve.reports.beancount import StretchIndex

BATCH = 1_000


def ledger(
    *,
    period: PeriodName = None,
    from_: From = None,
    to: To = None,
    zone: Zone = "UTC",
    printer: Printer = None,
    out: Annotated[Path | None, Parameter(help="Write to this file; it appears when it is whole.")] = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> None:
    """The postings of stretches that closed in the period, as plain-text double entry (beancount syntax)."""
    from pagereeve.domain.accounts.periods import chosen  # noqa: PLC0415 - see pagereeve.cli

    asyncio.run(_write(config, data_dir, chosen(period, from_, to, zone), printer, out))


async def _write(config: Path, data_dir: Path | None, period: Period, printer: str | None, out: Path | None) -> None:
    from pagereeve.cli.output import output_file  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.reports.beancount import LedgerText  # noqa: PLC0415 - see pagereeve.cli

    async with open_reads(config, data_dir) as reads:
        text = LedgerText(period.zone)
        with output_file(out) as file:
            file.writelines(f"{line}\n".encode() for line in text.beginning())
            async for batch in _batches(reads, period, printer):
                index = await _stretches_of(reads, batch)
                for posting in batch:
                    file.writelines(f"{line}\n".encode() for line in text.entry(posting, index.of(posting)))
            file.writelines(f"{line}\n".encode() for line in text.balances())


async def _batches(reads: Reads, period: Period, printer: str | None) -> AsyncIterator[list[Posting]]:
    batch: list[Posting] = []
    async for posting in reads.postings(period.from_us, period.to_us):
        if printer is None or posting.printer == printer:
            batch.append(posting)
        if len(batch) == BATCH:
            yield batch
            batch = []
    yield batch


async def _stretches_of(reads: Reads, batch: list[Posting]) -> StretchIndex:
    """Few statements for many postings: for each printer the span that they cover."""
    from pagereeve.reports import beancount as ledger_text  # noqa: PLC0415 - see pagereeve.cli

    spans: dict[str, tuple[int, int]] = {}
    for posting in batch:
        from_us, to_us = spans.get(posting.printer, (posting.closes_us, posting.closes_us))
        spans[posting.printer] = (min(from_us, posting.closes_us), max(to_us, posting.closes_us))
    stretches = [await reads.stretches(name, from_us, to_us) for name, (from_us, to_us) in spans.items()]
    return ledger_text.StretchIndex(one for known in stretches for one in known)
