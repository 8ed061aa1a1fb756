"""The running daemon at a printer that is counted by IPP: proven releases, a false zero, and a restart with a reset."""

from __future__ import annotations

import asyncio
from pathlib import Path

from pagereeve.app.daemon import App
from pagereeve.domain.ledger import Verdict
from pagereeve.queries.units import units_of
from pagereeve.reports.units import units_line
from pagereeve.settings import PrinterSettings
from tests.findings import text_of
from tests.integration.daemon import Outside, hasty_settings, until
from tests.integration.ipp_peers import free_tcp_port, server
from tests.integration.ipp_printer import IppPrinter

PRINTER = "counted-by-ipp"


async def asked_again(printer: IppPrinter, app: App) -> None:
    """Until the printer was read once more."""
    before = len(printer.asked)
    app.registry.watchers[PRINTER].ask_for_reading()

    async def look() -> bool | None:
        return len(printer.asked) > before or None

    await until(look, "a read")
    await asyncio.sleep(0.1)


async def test_releases_are_charged_by_what_ipp_counts_and_one_odd_answer_changes_nothing(tmp_path: Path) -> None:
    printer = IppPrinter()
    async with server(printer) as port:
        entry = PrinterSettings(name=PRINTER, host="127.0.0.1", port=free_tcp_port(), ipp_port=port, meter="ipp")
        settings = hasty_settings(tmp_path / "data", [entry])
        async with App(settings, first_reads_spread_s=0.0) as app, Outside(app) as outside:
            await outside.first_reading(PRINTER)
            # One false zero with a clock of its own, between two answers that fit: a glitch.
            known = (printer.impressions, printer.up_s)
            printer.impressions, printer.up_s = 0, 3
            await asked_again(printer, app)
            printer.impressions, printer.up_s = known
            await asked_again(printer, app)
            assert (await outside.started("A", PRINTER, 3)).status_code == 200
            await asyncio.sleep(0.3)
            printer.impressions = 1_003
            assert (await outside.ended("A")).status_code == 200
            first = await outside.closed_charge("A")
            assert (first.charged, first.verdict) == (3, Verdict.AGREES)
            assert await app.store.findings(only_open=False) == []
            # It was switched off, and its counters begin anew: two answers that agree are a fact.
            printer.impressions, printer.sheets, printer.pages, printer.up_s = 0, 0, 0, 2
            await asked_again(printer, app)
            printer.up_s = 3
            await asked_again(printer, app)
            assert (await outside.started("B", PRINTER, 4)).status_code == 200
            await asyncio.sleep(0.3)
            printer.impressions = 4
            assert (await outside.ended("B")).status_code == 200
            second = await outside.closed_charge("B")
            assert (second.charged, second.verdict) == (4, Verdict.AGREES)
            finding = await outside.finding("meter-went-back", PRINTER)
            assert "started again after a restart" in text_of(finding)
            known_units = await units_of(app.store)
            assert units_line(known_units).endswith(f"Counted by IPP: {PRINTER}.")
