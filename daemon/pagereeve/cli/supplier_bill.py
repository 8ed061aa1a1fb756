"""``pagereeve supplier-bill``."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from pagereeve.cli.journal import open_reads
from pagereeve.cli.options import CONFIG_DEFAULT, AsJson, Config, DataDir, Zone
from pagereeve.cli.output import say, say_json
from pagereeve.cli.site import site_of
from pagereeve.domain.accounts.supplier_bill import Agreement, BillLine, CheckedLine
from pagereeve.queries.supplier_bill import check_bill
from pagereeve.reports.supplier_bill import bill_json, bill_text
from pagereeve.settings import load_settings
from pagereeve.settings.lists.supplier_bill import read_bill


def supplier_bill(
    file: Annotated[
        Path, Parameter(help="CSV with the columns serial, opening, opening_date, closing, closing_date; counter.")
    ],
    /,
    *,
    zone: Zone = None,
    json: AsJson = False,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Check a supplier's statement of meters against the readings: which lines agree, which differ and by how much.

    Lines are matched by serial number. Of a date any instant of that day is meant. Exit status 1 if a line differs, or
    if nothing can be said of one, or if the file has none.
    """
    site = site_of(config, data_dir, zone)
    checked = asyncio.run(_check(config, data_dir, read_bill(file, site.zone)))
    if json:
        say_json({"lines": bill_json(checked)})
    else:
        say(bill_text(checked, site.zone))
    return 0 if checked and all(one.agreement is Agreement.AGREES for one in checked) else 1


async def _check(config: Path, data_dir: Path | None, lines: Sequence[BillLine]) -> Sequence[CheckedLine]:
    printers = load_settings(config).printers if data_dir is None else ()
    serials = {one.name: one.serial for one in printers if one.meter == "panel"}
    async with open_reads(config, data_dir) as reads:
        return await check_bill(reads, lines, serials)
