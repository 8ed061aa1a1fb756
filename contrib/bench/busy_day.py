"""A simulated working day at one printer in virtual time, and what the ledger makes of it beside the truth.

The daemon's own intake and watcher read the meter at their own cadence; the paper is the simulator's print engine. No
socket, no real clock, no chance but the seed: the same `Day` gives the same `Figures`.
"""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from random import Random
from typing import Any, Final

sys.path.insert(0, str(Path(__file__).parents[2]))

from pagereeve.domain.facts.jobs import JobCounts
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Count, PrinterState, Sight, Unit
from pagereeve.domain.ledger import Finding
from pagereeve.domain.projection.projector import Ledger
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.jobs import JobRow, JobsLook
from pagereeve.ports.meter import MeterTarget
from pagereeve.simulator.printer.model import JobHabit, PrinterSpec, PrintJob
from pagereeve.simulator.printer.print_engine import PrintEngine
from tests.unit.engine.virtual import passing
from tests.unit.engine.world import FakePrinter, World

PRINTER: Final = "p"
# hrPrinterStatus, RFC 2790 section 4, from 1 on.
STATES: Final = (
    PrinterState.OTHER,
    PrinterState.UNKNOWN,
    PrinterState.IDLE,
    PrinterState.PRINTING,
    PrinterState.WARMUP,
)
# Pages of a job, as a draw: most are short. Invented, as are the engine's 35 a minute and the times below.
PAGES: Final = (1, 1, 1, 2, 2, 2, 3, 3, 4, 4, 5, 6, 8, 10, 15)
SPEC: Final = PrinterSpec(PRINTER, impressions_per_minute=35, first_sheet_us=3 * SECOND_US, jitter_permille=50)
SENDING_S: Final = (0.5, 2.0)
DRAIN_S: Final = 600.0
CHANNEL: Final = "total"


@dataclass(frozen=True, slots=True)
class Day:
    """``every_s`` is the mean distance of two releases (Poisson), ``copies`` and ``odd`` are shares of the releases:
    of walk-up copies beside them, and of jobs that print otherwise than their ticket says. ``rest_s`` > 0: each start
    notice asks the daemon to wait so long at most for the releases before it to come to rest (``Prefer: wait, rest``).
    ``told``: what the printer tells of its own jobs; ``numbered``: and the notices name its number of the job.
    """

    seed: int
    every_s: float
    hours: float = 2.0
    copies: float = 0.06
    odd: float = 0.03
    rest_s: float = 0.0
    told: JobHabit = "none"
    numbered: bool = False


@dataclass(frozen=True, slots=True)
class Job:
    """``printed`` is what comes out, ``claimed`` what its ticket says."""

    at_s: float
    name: str
    claimed: int
    printed: int
    sending_s: float

    @property
    def is_odd(self) -> bool:
        return self.printed != self.claimed


@dataclass(slots=True)
class Figures:
    """Counts of releases, findings and pages; they add up over days.

    ``alone``: graded tight or inferred. ``matched``: graded so. ``off``: in brackets that are in surplus or shortfall.
    ``unjudged``: without a verdict, or unproven. ``innocents`` and ``named`` are findings about a difference that name
    one release alone, which printed as its ticket says or did not. ``hidden``: odd releases whose verdict is *agrees*.
    ``overcharged_pages`` are charged beyond what came out for the release, ``uncharged_pages`` came out within the
    claim and are not charged.
    """

    releases: int = 0
    odd: int = 0
    alone: int = 0
    matched: int = 0
    off: int = 0
    unjudged: int = 0
    innocents: int = 0
    named: int = 0
    hidden: int = 0
    overcharged: int = 0
    overcharged_pages: int = 0
    uncharged_pages: int = 0
    claimed_pages: int = 0
    reads: int = 0
    waited_s: float = 0.0

    def __add__(self, other: Figures) -> Figures:
        return Figures(*(getattr(self, one.name) + getattr(other, one.name) for one in fields(self)))


@dataclass
class EnginePrinter(FakePrinter):
    """The world's printer, whose paper is the simulator's."""

    engine: PrintEngine = field(default_factory=lambda: PrintEngine(SPEC, 0))

    def sight(self, now_s: float) -> Sight:
        shown = self.engine.show(round(now_s * SECOND_US))
        count = Count(shown.life_count, Unit.IMPRESSIONS)
        object_id = ".".join(map(str, shown.object_id))
        return Sight(((CHANNEL, count),), shown.serial, object_id, STATES[shown.printer_status - 1], shown.errors)


@dataclass
class EngineJobs:
    """What the simulated printer tells of its jobs with each reading (a ports.jobs.JobWitness)."""

    engine: PrintEngine
    world: World
    seen: frozenset[int] = frozenset()

    async def look(
        self, target: MeterTarget, timeout_s: float, *, busy: bool, names: Sequence[str] = ()
    ) -> list[JobsLook]:
        del target, timeout_s, busy, names
        at_us = self.world.clock.now_us()
        # Copies at the panel are no jobs to most printers.
        told = [one for one in self.engine.jobs(self.world.clock.monotonic_us()) if one.cause == "job"]
        rows = tuple(JobRow(one.number, one.state, JobCounts(one.impressions, one.sheets)) for one in told)
        shown = frozenset(one.job for one in rows)
        gone, self.seen = self.seen - shown, shown
        return [JobsLook("snmp", 1, at_us, at_us, rows, tuple((1, job) for job in sorted(gone)))]


def jobs_of(day: Day) -> list[Job]:
    """The releases in order of their wish to leave."""
    random = Random(f"{day.seed} releases")
    jobs: list[Job] = []
    at_s = 60 + random.expovariate(1 / day.every_s)
    while at_s < day.hours * 3600:
        claimed = random.choice(PAGES)
        printed = _otherwise(random, claimed) if random.random() < day.odd else claimed
        jobs.append(Job(at_s, f"r{len(jobs)}", claimed, printed, random.uniform(*SENDING_S)))
        at_s += random.expovariate(1 / day.every_s)
    return jobs


def _otherwise(random: Random, claimed: int) -> int:
    """A banner that nobody mentions, a page that is lost, copies made twice, a job that never prints."""
    return random.choice((claimed + 1, claimed + 1, claimed - 1, 2 * claimed, 0))


def copies_of(day: Day) -> list[tuple[float, int]]:
    """When somebody copies at the panel, and how many pages."""
    random = Random(f"{day.seed} copies")
    if day.copies == 0:
        return []
    copies: list[tuple[float, int]] = []
    every_s = day.every_s / day.copies
    at_s = random.expovariate(1 / every_s)
    while at_s < day.hours * 3600:
        copies.append((at_s, random.choice((1, 1, 1, 2, 2, 3, 5))))
        at_s += random.expovariate(1 / every_s)
    return copies


@dataclass(slots=True)
class Outcome:
    """A day's ledger beside its truth: pages by job's name, pages copied, and what the meter moved by."""

    jobs: Sequence[Job]
    ledger: Ledger
    printed: dict[str, int]
    copied: int
    moved: int
    figures: Figures


def run(day: Day) -> Outcome:
    """Raises AssertionError where the stored rows are not what a replay of the facts says, or a page is lost."""
    return passing(_Working(day).through())


@dataclass
class _Working:
    day: Day
    engine: PrintEngine = field(init=False)
    waited_s: float = 0.0

    def __post_init__(self) -> None:
        self.engine = PrintEngine(replace(SPEC, job_rows=self.day.told), self.day.seed)

    async def through(self) -> Outcome:
        jobs, copies = jobs_of(self.day), copies_of(self.day)
        printer = EnginePrinter(engine=self.engine)
        world = World(printers={PRINTER: printer}, policy=Policy())
        if self.day.told != "none":
            world.around = replace(world.around, jobs=EngineJobs(self.engine, world))
        async with world:
            first = self.engine.meter(0)
            await asyncio.gather(self._release(world, jobs), self._copy(world, copies))
            await world.passes(DRAIN_S)
            assert not world.troubles, world.troubles
            ledger = await world.ledger(PRINTER)
            reads = len(world.sent_s(PRINTER))
            moved = self.engine.meter(self._now_us(world)) - first
        truth = self.engine.total()
        figures = judged(jobs, ledger)
        figures.reads, figures.waited_s = reads, self.waited_s
        _check(ledger, truth.marked, moved)
        return Outcome(jobs, ledger, truth.by_job, truth.by_cause.get("copy", 0), moved, figures)

    async def _release(self, world: World, jobs: Sequence[Job]) -> None:
        """The release server. One that can't wait lets jobs go one after the other; one that can asks the daemon for
        each as soon as it wishes to leave, and the daemon answers them in turn.
        """
        asked: list[asyncio.Task[None]] = []
        for job in jobs:
            await world.passes(max(0.0, job.at_s - world.now_s))
            if self.day.rest_s:
                asked.append(asyncio.create_task(self._let_go(world, job)))
            else:
                await self._let_go(world, job)
        await asyncio.gather(*asked)

    async def _let_go(self, world: World, job: Job) -> None:
        # As a sender knows it that creates the job first: one that never prints has no number.
        number: dict[str, Any] = {}
        if self.day.numbered and job.printed:
            number["printer_job"] = self.engine.log.create(job.name)
        if self.day.rest_s:
            asked_s = world.now_s
            await world.start(job.name, job.claimed, wait_s=self.day.rest_s, rest=True, **number)
            self.waited_s += world.now_s - asked_s
        else:
            await world.start(job.name, job.claimed, **number)
        await world.passes(job.sending_s)
        if job.printed:
            self.engine.submit(PrintJob(job.name, job.printed), self._now_us(world))
        await world.end(job.name)

    async def _copy(self, world: World, copies: Sequence[tuple[float, int]]) -> None:
        for at_s, pages in copies:
            await world.passes(max(0.0, at_s - world.now_s))
            self.engine.copy(pages, self._now_us(world))

    @staticmethod
    def _now_us(world: World) -> int:
        return world.clock.monotonic_us()


def _check(ledger: Ledger, marked: int, moved: int) -> None:
    """Every page of the truth is in the ledger, once."""
    posted = sum(-pages for one in ledger.postings for name, pages in one.legs if name.startswith("meter:"))
    if not marked == moved == posted:
        raise AssertionError(f"{marked} pages came out, the meter moved by {moved}, {posted} are posted")


def judged(jobs: Sequence[Job], ledger: Ledger) -> Figures:
    """What a day's ledger says of each release, counted against what is true of it."""
    of_job = {job.name: job for job in jobs}
    figures = Figures(odd=sum(job.is_odd for job in jobs))
    for charge in ledger.charges:
        job = of_job[charge.release.release]
        grade, verdict = str(charge.grade), str(charge.verdict)
        figures.releases += 1
        figures.claimed_pages += job.claimed
        figures.alone += grade in {"tight", "inferred"}
        figures.matched += grade == "matched"
        figures.off += verdict in {"surplus", "shortfall"}
        figures.unjudged += verdict not in {"agrees", "surplus", "shortfall"}
        figures.hidden += job.is_odd and verdict == "agrees"
        figures.overcharged += charge.charged > job.printed
        figures.overcharged_pages += max(0, charge.charged - job.printed)
        figures.uncharged_pages += max(0, min(job.claimed, job.printed) - charge.charged)
    if figures.releases != len(jobs):
        raise AssertionError(f"{figures.releases} charges for {len(jobs)} releases")
    for finding in ledger.findings:
        if _names_one(finding):
            odd = of_job[finding.releases[0].release].is_odd
            figures.named += odd
            figures.innocents += not odd
    return figures


def _names_one(finding: Finding) -> bool:
    return finding.kind in {"surplus", "shortfall"} and len(finding.releases) == 1
