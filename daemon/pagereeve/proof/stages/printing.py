"""The last stage: real pages through the same path, and what the meter makes of them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from time import perf_counter
from typing import Protocol

from pagereeve.domain.facts.reading import Reading, Unit
from pagereeve.domain.values.amounts import amount
from pagereeve.ports.clock import Clock
from pagereeve.ports.jobs import JobWitness
from pagereeve.ports.meter import Meter, MeterTarget
from pagereeve.proof.counted import count_in
from pagereeve.proof.deduction import Deduced, deduce
from pagereeve.proof.jobs_told import JobsTold, disagreements
from pagereeve.proof.plan import Language, Noted, Plan
from pagereeve.proof.results import JobSeen, Stage
from pagereeve.proof.stages.metering import count_now, raw_steps
from pagereeve.proof.stages.network import send
from pagereeve.proof.testpages.jobs import TEST_JOBS, Heading, TestJob, can, document
from pagereeve.proof.watching import watch

SEND_MAX_S = 60.0


class PrintingMeter(Meter, JobWitness, Protocol):
    """What is watched while test pages print."""


@dataclass(frozen=True, slots=True)
class Printed:
    stage: Stage
    jobs: tuple[JobSeen, ...]
    deduced: Deduced


def jobs_in(language: Language) -> list[TestJob]:
    """The test jobs that the language can express."""
    return [job for job in TEST_JOBS if not can(language, job)]


async def pages_stage(
    plan: Plan, target: MeterTarget, meter: PrintingMeter, clock: Clock, date: str, unit_said: Unit | None = None
) -> Printed:
    """Print the test jobs one after another and watch the meter step. Only after somebody said yes.

    ``unit_said`` is the agent's own word for what its total steps in.
    """
    began_s = perf_counter()
    language = plan.language
    if language is None or plan.print_port is None:
        stage = Stage("pages", "not-tried", "test pages", "nobody asked for them (--print)")
        return Printed(stage, (), Deduced(problem="no job was printed"))
    stepping = replace(target, unit=raw_steps(target))
    jobs = jobs_in(language)
    told = JobsTold(meter, stepping, plan.patience.read_s)
    seen: list[JobSeen] = []
    noted: Noted | None = None
    trouble = ""
    for nth, job in enumerate(jobs, 1):
        heading = Heading(target.printer, date, nth, len(jobs))
        try:
            noted = noted if plan.notes is None else await plan.notes.test_pages(target.printer)
            data = document(job, language, heading)
            seen.append(await _print(plan, stepping, meter, clock, job, data, told))
        except (OSError, TimeoutError) as error:
            trouble = f"job {nth} could not be sent to port {plan.print_port}: {error or 'no answer'}"
            break
        if not seen[-1].rested:
            break
    deduced = Deduced(problem=trouble) if trouble else await _deduced(plan, seen, unit_said)
    left_out = [f"{job.name} ({can(language, job)})" for job in TEST_JOBS if can(language, job)]
    stage = _stage(target, unit_said, seen, deduced, left_out, perf_counter() - began_s)
    stage = with_jobs(stage, disagreements(seen, told.doors, deduced.unit or unit_said))
    return Printed(with_note(stage, noted), tuple(seen), deduced)


def with_jobs(stage: Stage, apart: list[str]) -> Stage:
    """The meter is what is billed: where the printer's own counts of jobs differ, that is said, and proves nothing."""
    if not apart or stage.outcome == "failed":
        return stage
    advice = "; ".join([*filter(None, [stage.advice]), *apart])
    return replace(stage, outcome="warned", advice=f"{advice}; the meter stays what is billed")


def with_note(stage: Stage, noted: Noted | None) -> Stage:
    """What became of the last note; one that somebody refused is worth a look, that nobody is there is none."""
    if noted is None:
        return stage
    if noted.refused and stage.outcome == "passed":
        return replace(stage, outcome="warned", advice=noted.why_not)
    return replace(stage, tried=f"{stage.tried}; {noted.why_not or 'noted with the daemon as test pages'}")


async def _deduced(plan: Plan, seen: list[JobSeen], unit_said: Unit | None) -> Deduced:
    """What the counts say, and if they leave it to the paper, whoever can look at it."""
    deduced = deduce(seen, plan.sheets_seen, unit_said)
    if deduced.paper_decides and plan.sheets_seen is None and plan.person is not None:
        two_sided = next(one.job for one in seen if one.two_sided)
        sheets = await plan.person.sheets(plan.target.printer, two_sided)
        return deduced if sheets is None else deduce(seen, sheets, unit_said)
    return deduced


async def _print(
    plan: Plan, target: MeterTarget, meter: Meter, clock: Clock, job: TestJob, data: bytes, told: JobsTold
) -> JobSeen:
    patience = plan.patience

    async def read() -> Reading | None:
        reading = await count_now(meter, target, patience.read_s)
        if reading is not None:
            await told.look()
        return reading

    first = await read()
    await told.begin()
    count = None if first is None else count_in(first.sight)
    if count is None:
        raise OSError("the meter does not answer, so nothing is printed")
    watched = await watch(
        read,
        clock,
        count.value,
        partial(send, target.host, plan.print_port or 0, data, SEND_MAX_S),
        poll_s=patience.poll_s,
        rest_s=patience.rest_s,
        longest_s=patience.job_s,
    )
    return JobSeen(
        job=job.name,
        pages=job.pages,
        copies=job.copies,
        two_sided=job.two_sided,
        counted=watched.counted,
        before=watched.before,
        first_move_s=watched.first_move_s,
        last_move_s=watched.last_move_s,
        longest_pause_s=watched.longest_pause_s,
        rested=watched.rested,
        said=told.said(),
    )


def _stage(
    target: MeterTarget,
    unit_said: Unit | None,
    seen: list[JobSeen],
    deduced: Deduced,
    left_out: list[str],
    took_s: float,
) -> Stage:
    tried = f"{amount(len(seen), 'test job')} through the same path"
    if left_out:
        tried += f"; left out: {', '.join(left_out)}"
    counts = ", ".join(f"{one.job}: {one.counted}" for one in seen)
    if deduced.problem:
        advice = "Look at the paper and at the printer's panel, then repeat it while nobody else prints or copies."
        return Stage("pages", "failed", tried, f"{deduced.problem} ({counts or 'nothing counted'})", took_s, advice)
    came = f"{counts}; {_found(deduced)}"
    notes = list(deduced.notes)
    if target.unit is not None and deduced.unit is not None and target.unit is not deduced.unit:
        notes.append(f"the entry says {target.unit}, the pages say {deduced.unit}")
    elif unit_said is not None and deduced.unit is not None and unit_said is not deduced.unit:
        notes.append(f"the agent says {unit_said}, the pages say {deduced.unit}: take over the entry below")
    return Stage("pages", "warned" if notes else "passed", tried, came, took_s, "; ".join(notes))


def _found(deduced: Deduced) -> str:
    parts = [f"it counts {deduced.unit} (proven)" if deduced.unit else "sides or sheets: left open"]
    if deduced.blank_backs != "unknown":
        parts.append("blank backs are counted" if deduced.blank_backs == "counted" else "blank backs are not counted")
    if deduced.separator_sheets is not None:
        parts.append(f"{amount(deduced.separator_sheets, 'separator sheet')} a job")
    parts.append(f"a settle time of {deduced.settle_s} s is enough")
    return ", ".join(parts)
