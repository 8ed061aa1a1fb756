"""A proof from its first stage to its last; what can't be tried any more says so."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final, Protocol, get_args

from pagereeve.domain.facts.reading import SilenceReason, Unit
from pagereeve.domain.values.instants import to_text
from pagereeve.ports.clock import Clock
from pagereeve.ports.inspection import Inspection, Inspector
from pagereeve.ports.jobs import JobWitness
from pagereeve.ports.meter import Meter, MeterTarget
from pagereeve.proof.counted import count_found
from pagereeve.proof.plan import Plan
from pagereeve.proof.results import Calibration, JobSeen, Proof, Stage, StageName
from pagereeve.proof.stages.comparing import second_reader_stage
from pagereeve.proof.stages.metering import channels_stage, panel_stage, quiet_stage, raw_steps, unit_said
from pagereeve.proof.stages.printing import Printed, jobs_in, pages_stage
from pagereeve.proof.stages.reaching import answer_stage, identity_stage, name_stage, ports_stage
from pagereeve.proof.testpages.jobs import sheets_at_most

STAGES: Final[tuple[StageName, ...]] = get_args(StageName)


class ProvingMeter(Meter, Inspector, JobWitness, Protocol):
    """What a proof needs of a meter: its reading, its looking over, and what the printer tells of its jobs."""


class _Stages(list[Stage]):
    """The stages so far; each is reported through ``on_stage``."""

    def __init__(self, on_stage: Callable[[Stage], None] | None) -> None:
        super().__init__()
        self._on_stage = on_stage

    def done(self, stage: Stage) -> Stage:
        self.append(stage)
        if self._on_stage is not None:
            self._on_stage(stage)
        return stage


async def prove(
    plan: Plan, meter: ProvingMeter, clock: Clock, on_stage: Callable[[Stage], None] | None = None
) -> Proof:
    """Run all stages. Pages are printed only where the plan names a language: ask before, this function does not."""
    began_us = clock.now_us()
    stages = _Stages(on_stage)
    if stages.done(await name_stage(plan)).outcome == "failed":
        return _proof(plan, began_us, stages)
    ports, reached = await ports_stage(plan)
    stages.done(ports)
    answer, seen, target = await answer_stage(plan, meter, reached)
    if stages.done(answer).outcome == "failed":
        return _proof(plan, began_us, stages)
    if stages.done(identity_stage(plan, seen)).outcome == "failed":
        return _proof(plan, began_us, stages, seen)
    if stages.done(channels_stage(plan, seen)).outcome == "failed" and not _countable(seen):
        return _proof(plan, began_us, stages, seen)
    stepping = replace(target, unit=raw_steps(target))
    stages.done(await second_reader_stage(plan, stepping, seen, meter))
    stages.done(await panel_stage(plan, seen))
    stages.done(await quiet_stage(plan, stepping, meter, clock))
    printed = await _pages(plan, target, meter, clock, stages, unit_said(seen))
    stages.done(printed.stage)
    return _proof(plan, began_us, stages, seen, printed, target)


def _countable(seen: Inspection) -> bool:
    return seen.failure is None or seen.failure.reason is SilenceReason.UNIT_NOT_USABLE


async def _pages(
    plan: Plan,
    target: MeterTarget,
    meter: ProvingMeter,
    clock: Clock,
    stages: list[Stage],
    said: Unit | None,
) -> Printed:
    """Paper is not wasted on a path that is known to be broken, nor while the counter moves by itself."""
    broken = [stage.name for stage in stages if stage.outcome == "failed" and stage.name in {"ports", "quiet"}]
    if broken and plan.language is not None:
        plan = replace(plan, language=None)
        printed = await pages_stage(plan, target, meter, clock, "")
        came = f"not printed, since {', '.join(broken)} failed"
        return replace(printed, stage=replace(printed.stage, came=came))
    return await pages_stage(plan, target, meter, clock, to_text(clock.now_us())[:10], said)


def _proof(
    plan: Plan,
    began_us: int,
    stages: list[Stage],
    seen: Inspection | None = None,
    printed: Printed | None = None,
    target: MeterTarget | None = None,
) -> Proof:
    done = {stage.name for stage in stages}
    rest = [Stage(name, "not-tried", "", f"skipped: {stages[-1].name} failed") for name in STAGES if name not in done]
    jobs: tuple[JobSeen, ...] = () if printed is None else printed.jobs
    language = plan.language
    return Proof(
        printer=plan.target.printer,
        place=f"{plan.target.host}:{plan.target.port}",
        began_us=began_us,
        stages=(*stages, *rest),
        calibration=_calibration(seen, printed, target),
        inspection=seen,
        jobs=jobs,
        sheets_most=sheets_at_most(jobs_in(language)) if language is not None and jobs else 0,
    )


def _calibration(seen: Inspection | None, printed: Printed | None, target: MeterTarget | None) -> Calibration:
    if seen is None or target is None:
        return Calibration()
    known = Calibration(version=target.version, serial=seen.identity.serial, object_id=seen.identity.object_id)
    if printed is None or printed.deduced.problem:
        return known
    deduced, counted = printed.deduced, count_found(seen)
    # The entry's unit is that of a total; a channel of sheets has its own.
    is_total = counted is not None and counted.name == "total"
    return replace(
        known,
        unit=deduced.unit if is_total else None,
        blank_backs=deduced.blank_backs,
        separator_sheets=deduced.separator_sheets,
        settle_s=deduced.settle_s,
    )
