"""The stages about the meter itself: channels and units, the panel, quiet while nobody prints."""

from __future__ import annotations

from pagereeve.domain.facts.reading import KNOWN_UNITS, Reading, SilenceReason, Unit
from pagereeve.domain.values.amounts import amount
from pagereeve.ports.clock import Clock
from pagereeve.ports.inspection import Inspection
from pagereeve.ports.meter import Meter, MeterTarget
from pagereeve.proof.counted import count_found, count_in
from pagereeve.proof.plan import Plan
from pagereeve.proof.results import Stage

SECOND_US = 1_000_000


def channels_stage(plan: Plan, seen: Inspection) -> Stage:
    """Pages can be computed from the counts, or could be once a test print has proven the unit."""
    tried = "channels that can be compared with pages"
    came = ", ".join(f"{one.name} {one.value} ({one.unit or one.unit_said})" for one in seen.channels) or "none"
    failed = [check.text for check in seen.checks if not check.passed]
    failure = seen.failure
    if failure is None:
        total = count_found(seen)
        if total is not None and total.unit is None and not failed:
            advice = "Print test pages (--print): they prove whether it counts sides or sheets."
            if plan.language is not None:
                advice = "The test pages must prove the unit."
            return Stage("channels", "warned", tried, came, 0.0, advice)
        if failed:
            return Stage("channels", "warned", tried, came, 0.0, f"contradictions: {'; '.join(failed)}")
        return Stage("channels", "passed", tried, came)
    if failure.reason is SilenceReason.UNIT_NOT_USABLE and count_found(seen) is not None:
        if plan.language is not None:
            return Stage("channels", "warned", tried, came, 0.0, "The test pages must prove the unit.")
        advice = "Print test pages (--print): they prove whether it counts sides or sheets."
        return Stage("channels", "failed", tried, came, 0.0, advice)
    advice = "This printer's meter can't be used: look for newer firmware, or write a profile for the maker's counter."
    if seen.next_step is not None:
        advice = seen.next_step.text
    return Stage("channels", "failed", tried, failure.detail, 0.0, advice)


def unit_said(seen: Inspection) -> Unit | None:
    """The agent's own word for what it is counted by steps in, whatever the entry says; None if it is no use."""
    total = count_found(seen)
    return next((unit for unit in KNOWN_UNITS if total is not None and total.unit_said.startswith(unit.value)), None)


async def count_now(meter: Meter, target: MeterTarget, wait_s: float) -> Reading | None:
    """A reading whose total counts steps, whatever their unit; ``target`` says a unit so that none is refused."""
    result = await meter.read(target, wait_s)
    return result if isinstance(result, Reading) else None


async def panel_stage(plan: Plan, seen: Inspection) -> Stage:
    """The figure that the printer shows to people is the one that is read
    (fusioninventory/fusioninventory-for-glpi#1626).
    """
    tried = "the figure on the printer's panel"
    total = count_found(seen)
    panel = plan.panel
    if panel is None and total is not None and plan.person is not None:
        panel = await plan.person.panel(plan.target.printer)
    if panel is None or total is None:
        return Stage("panel", "not-tried", tried, "no value of the panel was given (--panel)")
    came = f"panel {panel}, read {total.value}"
    if panel == total.value:
        return Stage("panel", "passed", tried, came)
    same = [one.name for one in seen.channels if one.value == panel]
    advice = f"The panel shows the value of {same[0]}.  " if same else ""
    advice += "Find the panel's count of all pages; if it differs too, don't use this counter."
    return Stage("panel", "failed", tried, came, 0.0, advice)


async def quiet_stage(plan: Plan, target: MeterTarget, meter: Meter, clock: Clock) -> Stage:
    """The counter does not move while nobody prints."""
    began_us = clock.monotonic_us()
    patience = plan.patience
    values: list[int] = []
    failures = 0
    while True:
        reading = await count_now(meter, target, patience.read_s)
        count = None if reading is None else count_in(reading.sight)
        if count is None:
            failures += 1
        else:
            values.append(count.value)
        passed_s = (clock.monotonic_us() - began_us) / SECOND_US
        if passed_s >= patience.quiet_s:
            break
        await clock.sleep(min(max(patience.poll_s, patience.quiet_s / 10), patience.quiet_s - passed_s))
    return _quiet(values, failures, passed_s)


def _quiet(values: list[int], failures: int, passed_s: float) -> Stage:
    tried = f"the counter must not move for {passed_s:.0f} s while nobody prints"
    came = amount(len(values), "reading") + (f", {failures} failed" if failures else "")
    if not values:
        return Stage("quiet", "failed", tried, came, passed_s, "The meter stopped answering: check the network path.")
    if values[0] != values[-1] or len(set(values)) > 1:
        advice = "Somebody prints or copies: retry when nobody does. If nobody did, the counter can't be trusted."
        return Stage("quiet", "failed", tried, f"{values[0]} became {values[-1]}", passed_s, advice)
    if failures:
        advice = "Readings are lost on the way: check the network path, or read less often."
        return Stage("quiet", "warned", tried, came, passed_s, advice)
    return Stage("quiet", "passed", tried, f"{came}, all {values[0]}", passed_s)


def raw_steps(target: MeterTarget) -> Unit:
    """The unit to read by while it is not proven: the counter's steps, whatever they are."""
    return target.unit or Unit.IMPRESSIONS
