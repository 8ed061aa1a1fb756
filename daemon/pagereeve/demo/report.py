"""How the demo ends: totals, findings, every page accounted for, and whether what was planted was found."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.table import Table

from pagereeve.app.daemon import App
from pagereeve.app.replay import ReplayReport, history
from pagereeve.demo.judgement import DayJudgement
from pagereeve.domain.accounts.cost_centres import CostCentres
from pagereeve.domain.accounts.totals import Totals
from pagereeve.domain.brackets.conservation import Conserved, conserved
from pagereeve.domain.facts.facts import Assigned
from pagereeve.domain.findings.waiting import Waiting
from pagereeve.domain.findings.wording import text_of
from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.instants import FOREVER_US, to_text
from pagereeve.queries.uncharged import uncharged_of
from pagereeve.reports.findings import chosen_findings, findings_text
from pagereeve.reports.projected import waiting_text
from pagereeve.reports.totals import totals_table


async def report(console: Console, app: App, judgement: DayJudgement, replayed: ReplayReport) -> bool:
    """Print all of it; True if everything came out as it should."""
    zone = ZoneInfo(str(UTC))
    await _totals(console, app)
    console.rule("findings")
    findings = chosen_findings(await app.store.findings(only_open=False))
    booked = await uncharged_of(app.store, findings)
    console.print(findings_text(findings, zone, booked), highlight=False, markup=False, soft_wrap=True)
    console.rule("conservation: every page the meters counted, exactly once")
    lines, waits = await _conserved(app)
    console.print(_pages_table(judgement))
    kept = all(line.ok for line in lines)
    console.print(
        f"last cut - first reading = sum over accounts, for each printer, run and channel: "
        f"{sum(line.ok for line in lines)} of {len(lines)} hold. {waiting_text(waits)}\n"
        f"Replay of {amount(replayed.facts, 'fact')}: "
        + ("nothing differs." if not replayed.differing else f"{amount(len(replayed.differing), 'difference')}."),
        highlight=False,
    )
    for difference in replayed.differing:
        console.print(difference, highlight=False, markup=False)
    console.rule("planted faults")
    console.print(_faults_table(judgement))
    for finding in judgement.unplanted:
        console.print(
            f"found, but not planted: {finding.kind} at {finding.printer}: {text_of(finding, to_text)}", markup=False
        )
    good = judgement.good and kept and not replayed.differing
    console.print("[bold green]All found, nothing else, every page accounted for." if good else "[bold red]NOT GOOD.")
    return good


async def _totals(console: Console, app: App) -> None:
    centres = CostCentres()
    async for stored in app.store.facts(""):
        if isinstance(stored.fact, Assigned):
            centres.add(stored.fact)
    by_centre, by_person = Totals("cost-centre", centres), Totals("person")
    async for charge in app.store.charges(0, FOREVER_US):
        by_centre.add(charge)
        by_person.add(charge)
    console.rule("totals")
    console.print(totals_table("cost-centre", by_centre.lines()))
    console.print(totals_table("person", by_person.lines()))


async def _conserved(app: App) -> tuple[list[Conserved], list[Sequence[Waiting]]]:
    """Each meter run and channel, and what each printer waits with."""
    lines: list[Conserved] = []
    waits: list[Sequence[Waiting]] = []
    for printer in await app.store.printers():
        whole = await history(app.store, printer)
        segments = await app.store.segments(printer)
        postings = [posting for segment in segments for posting in segment.postings]
        lines += conserved(printer, whole.runs.runs, whole.windows, postings)
        waits.append(whole.waits)
    return lines, waits


def _pages_table(judgement: DayJudgement) -> Table:
    table = Table()
    table.add_column("printer")
    for heading in ("printed", "to people", "to the house", "accounted for"):
        table.add_column(heading, justify="right")
    table.add_column("")
    for line in judgement.pages:
        good = "yes" if line.marked == line.accounted else "NO"
        row = (line.printer, line.marked, line.people, line.house, line.accounted, good)
        table.add_row(*(str(cell) for cell in row))
    return table


def _faults_table(judgement: DayJudgement) -> Table:
    table = Table()
    for heading in ("planted", "printer", "found as", ""):
        table.add_column(heading)
    for fault in judgement.faults:
        found = "found" if fault.found else f"MISSING: {', '.join(fault.missing)}"
        table.add_row(fault.what, fault.printer, ", ".join(fault.expected), found)
    return table
