"""How the demo ends: the answer on one screen, and before it, if that is wanted, totals, findings and pages."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC
from statistics import median
from typing import Final
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.rule import Rule
from rich.table import Table

from pagereeve.app.daemon import App
from pagereeve.app.replay import ReplayReport, history
from pagereeve.demo.judgement import DayJudgement, FaultLine
from pagereeve.domain.accounts.cost_centres import CostCentres
from pagereeve.domain.accounts.totals import Totals
from pagereeve.domain.brackets.conservation import Conserved, conserved
from pagereeve.domain.facts.facts import Assigned
from pagereeve.domain.findings.waiting import Waiting
from pagereeve.domain.findings.wording import text_of
from pagereeve.domain.values.instants import FOREVER_US, to_text
from pagereeve.queries.uncharged import uncharged_of
from pagereeve.reports.findings import chosen_findings, findings_text
from pagereeve.reports.projected import waiting_text
from pagereeve.reports.totals import totals_table

# More faults than this are no table on one screen.
TABLE_MAX: Final = 12
ANSWER_WIDTH: Final = 80


@dataclass(frozen=True, slots=True)
class DayResult:
    """All that the end is told from."""

    judgement: DayJudgement
    replayed: ReplayReport
    conserved: Sequence[Conserved]
    waits: Sequence[Sequence[Waiting]]

    @property
    def good(self) -> bool:
        return self.judgement.good and all(line.ok for line in self.conserved) and not self.replayed.differing


async def result_of(app: App, judgement: DayJudgement, replayed: ReplayReport) -> DayResult:
    """With the conservation of each meter run and channel, and what each printer waits with."""
    lines: list[Conserved] = []
    waits: list[Sequence[Waiting]] = []
    for printer in await app.store.printers():
        whole = await history(app.store, printer)
        segments = await app.store.segments(printer)
        postings = [posting for segment in segments for posting in segment.postings]
        lines += conserved(printer, whole.runs.runs, whole.windows, postings)
        waits.append(whole.waits)
    return DayResult(judgement, replayed, lines, waits)


async def report_all(console: Console, app: App, result: DayResult) -> None:
    """Totals, findings with their evidence, and the pages of each printer."""
    await _totals(console, app)
    console.rule("findings")
    findings = chosen_findings(await app.store.findings(only_open=False))
    booked = await uncharged_of(app.store, findings)
    text = findings_text(findings, ZoneInfo(str(UTC)), booked)
    console.print(text, highlight=False, markup=False, soft_wrap=True)
    console.rule("conservation: every page that the meters counted, exactly once")
    console.print(_pages_table(result.judgement))
    console.print(waiting_text(result.waits), highlight=False)


def report_answer(console: Console, result: DayResult, *, whole: bool) -> None:
    """What was planted and whether it was found, are all pages accounted for; on one screen, unless it is ``whole``."""
    judgement = result.judgement
    console.print(Rule("planted faults, and what the daemon found"), width=min(console.width, ANSWER_WIDTH))
    if len(judgement.faults) <= TABLE_MAX or whole:
        console.print(_faults_table(judgement))
    else:
        console.print(_faults_text(judgement), highlight=False)
    for line in _answer(result):
        console.print(line, highlight=False, markup=False)
    good = "[bold green]All found, nothing else, every page accounted for.[/]"
    console.print(good if result.good else "[bold red]NOT GOOD.[/]", highlight=False)


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


def _answer(result: DayResult) -> Iterator[str]:
    judgement, differing = result.judgement, result.replayed.differing
    for fault in judgement.faults:
        if not fault.found:
            yield f"MISSING: {', '.join(fault.missing)} ({fault.what})"
    for finding in judgement.unplanted:
        where = finding.printer or finding.place
        yield f"found, but not planted: {finding.kind} at {where}: {text_of(finding, to_text)}"
    delays_s = [fault.after_s for fault in judgement.faults if fault.after_s is not None]
    if delays_s:
        yield f"How soon after it happened: {median(delays_s):.1f} s in the middle, {max(delays_s):.1f} s at most."
    pages = judgement.pages
    marked, people, house = (
        sum(figures) for figures in zip(*((o.marked, o.people, o.house) for o in pages), strict=True)
    )
    yield f"{marked} pages printed, {people + house} accounted for: {people} to people, {house} to house accounts."
    for line in pages:
        if line.marked != line.accounted:
            yield f"{line.printer}: {line.marked} printed, {line.accounted} accounted for"
    held = sum(line.ok for line in result.conserved)
    yield f"Last count - first = sum over the accounts: holds for {held} of {len(result.conserved)} meter runs."
    outcome = f"{len(differing)} of them differ." if differing else "nothing differs."
    yield f"Everything computed again from {result.replayed.facts} facts: {outcome}"
    yield from differing


def _pages_table(judgement: DayJudgement) -> Table:
    table = Table()
    table.add_column("printer")
    for heading in ("printed", "to people", "to house accounts", "accounted for"):
        table.add_column(heading, justify="right")
    table.add_column("")
    for line in judgement.pages:
        good = "yes" if line.marked == line.accounted else "NO"
        row = (line.printer, line.marked, line.people, line.house, line.accounted, good)
        table.add_row(*(str(cell) for cell in row))
    return table


def _faults_table(judgement: DayJudgement) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("planted", ratio=1)
    table.add_column("printer")
    table.add_column("found as")
    table.add_column("after", justify="right")
    for fault in judgement.faults:
        table.add_row(fault.what, fault.printer, ",\n".join(fault.expected), _when(fault))
    return table


def _when(fault: FaultLine) -> str:
    if not fault.found:
        return "MISSING"
    return "found" if fault.after_s is None else f"{fault.after_s:.1f} s"


def _faults_text(judgement: DayJudgement) -> str:
    """Kinds, and how many faults each answers to: where one screen has no room for a line each."""
    kinds = Counter(kind for fault in judgement.faults for kind in fault.expected)
    listed = ", ".join(kind if count == 1 else f"{kind} {count} x" for kind, count in sorted(kinds.items()))
    found = sum(fault.found for fault in judgement.faults)
    return f"{found} of {len(judgement.faults)} found: {listed}. With --all each is a line."
