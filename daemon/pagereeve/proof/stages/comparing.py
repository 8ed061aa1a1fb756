"""The stage of the second reader: every channel, and who answers, as two implementations read them."""

from __future__ import annotations

from collections.abc import Mapping
from time import perf_counter

from pagereeve.domain.facts.reading import Failure, Reading
from pagereeve.ports.inspection import ChannelFound, Inspection
from pagereeve.ports.meter import Meter, MeterTarget
from pagereeve.proof.plan import Plan
from pagereeve.proof.results import Stage
from pagereeve.proof.stages.second_reader import SYS_OBJECT_ID, NoOpinion, second_opinion


async def second_reader_stage(plan: Plan, target: MeterTarget, seen: Inspection, meter: Meter) -> Stage:
    """An independent implementation reads the same figures; a count that moves lies between two readings of ours."""
    began_s = perf_counter()
    objects = ", ".join(place for one in seen.channels for place in one.objects)
    tried = f"the same objects read by pysnmp: {objects or 'none'}"
    if not seen.channels:
        return Stage("second-reader", "not-tried", tried, "there is nothing to compare")
    if target.meter == "ipp":
        tried = "the same attributes read by another implementation"
        return Stage("second-reader", "not-tried", tried, "there is none for IPP: compare the figure with the panel's")
    try:
        theirs = await second_opinion(target, seen.channels, plan.patience.second_s)
    except NoOpinion as error:
        advice = "One reader is answered and the other is not: look for an access list, or a limit on requests."
        return Stage("second-reader", "failed", tried, str(error), perf_counter() - began_s, advice)
    after = await meter.read(target, plan.patience.read_s)
    differs = _differences(seen, theirs, after)
    took_s = perf_counter() - began_s
    if differs:
        advice = "Don't account by this meter before it is clear which reader is right; report it with all figures."
        return Stage("second-reader", "failed", tried, "; ".join(differs), took_s, advice)
    same = ", ".join(f"{one.name} {theirs[one.name]}" for one in seen.channels)
    return Stage("second-reader", "passed", tried, f"the same: {same}", took_s)


def _differences(seen: Inspection, theirs: Mapping[str, str], after: Reading | Failure) -> list[str]:
    differs = [difference for one in seen.channels if (difference := _difference(one, theirs.get(one.name), after))]
    ours, others = seen.identity.object_id, theirs.get(SYS_OBJECT_ID)
    if ours and ours != others:
        differs.append(f"sysObjectID: {others or 'nothing'}, ours {ours}")
    return differs


def _difference(one: ChannelFound, theirs: str | None, after: Reading | Failure) -> str:
    count = None if isinstance(after, Failure) else after.sight.count(one.name)
    last = one.value if count is None else count.value
    if theirs is not None and min(one.value, last) <= int(theirs) <= max(one.value, last):
        return ""
    return f"{one.name}: {theirs or 'nothing'}, ours {one.value} before and {last} after"
