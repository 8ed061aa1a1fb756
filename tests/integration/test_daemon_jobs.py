"""The running daemon at a printer that tells of its jobs: the short release of two is named, and nobody else."""

from __future__ import annotations

import asyncio
from pathlib import Path

from pydantic import SecretStr

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.domain.facts.codec import fact_bytes
from pagereeve.domain.facts.jobs import JobCounted
from pagereeve.domain.ledger import Verdict
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.settings import PrinterSettings
from pagereeve.simulator.printer.model import PrinterSpec, PrintJob
from pagereeve.simulator.printer.print_engine import PrintEngine
from pagereeve.simulator.snmp.agent import PrinterAgent
from tests.findings import text_of
from tests.integration.daemon import Outside, hasty_settings, until

PRINTER = "teller"


async def test_of_two_releases_in_one_bracket_the_short_one_is_named_by_its_job(tmp_path: Path) -> None:
    clock = SystemClock()
    spec = PrinterSpec(
        PRINTER, impressions_per_minute=240, warm_up_us=0, first_sheet_us=SECOND_US // 2, job_rows="counted"
    )
    engine = PrintEngine(spec, 1, clock.now_us())
    agent = PrinterAgent(engine, clock, community="testread")
    await agent.start()
    host, port = agent.address
    printer = PrinterSettings(name=PRINTER, host=host, port=port, community=SecretStr("testread"))
    settings = hasty_settings(tmp_path / "data", [printer])
    try:
        async with App(settings, first_reads_spread_s=0.0) as app, Outside(app) as outside:
            await outside.first_reading(PRINTER)
            # One read more: the table is found after the first.
            await asyncio.sleep(1.5)
            for release, claimed, printed in (("A", 8, 3), ("B", 6, 6)):
                assert (await outside.started(release, PRINTER, claimed)).status_code == 200
                await asyncio.sleep(0.3)
                engine.submit(PrintJob(f"job-{release}", printed), clock.now_us())
                await asyncio.sleep(0.3)
                assert (await outside.ended(release)).status_code == 200
            charges = {release: await outside.closed_charge(release) for release in ("A", "B")}
            assert {name: (one.charged, one.verdict) for name, one in charges.items()} == {
                "A": (3, Verdict.SHORTFALL),
                "B": (6, Verdict.AGREES),
            }
            finding = await outside.finding("shortfall", PRINTER)
            assert [one.release for one in finding.releases] == ["A"], text_of(finding)
            facts = [stored.fact async for stored in app.store.facts(PRINTER)]
            said = [one for one in facts if isinstance(one, JobCounted)]
            assert {one.job: one.counts.impressions for one in said if one.is_over} == {1: 3, 2: 6}
            # A canary in the table: nothing that may name a person is in the journal.
            assert not any(b"owner-that-nobody-asks-for" in fact_bytes(one) for one in facts)

            async def told() -> bool | None:
                return 'kind="failed-look"' in await outside.metrics() or None

            await until(told, "the oddity of looks that fail")
    finally:
        await agent.stop()
