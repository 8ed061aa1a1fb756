"""What ``pagereeve read`` finds of a printer, in sentences of a page."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from pagereeve.domain.findings.wording import SILENCES
from pagereeve.ports.inspection import ChannelFound, Inspection
from pagereeve.reports.inspection import step_text
from pagereeve.reports.units import GRADES


@dataclass(frozen=True, slots=True)
class CounterSeen:
    """``unit`` is empty where it is not known, ``known_by`` says how it is; ``why`` is why this counter was chosen."""

    name: str
    value: int
    unit: str
    known_by: str
    why: str
    objects: str


@dataclass(frozen=True, slots=True)
class MeterSeen:
    """``failed`` is empty where the meter can be used. Texts are the agent's own: escape them."""

    failed: str
    next_step: str
    responder: str
    version: str
    took_s: float
    model: str
    serial: str
    description: str
    object_id: str
    state: str
    counters: tuple[CounterSeen, ...]
    witnesses: tuple[CounterSeen, ...]
    devices: tuple[str, ...]
    warnings: tuple[str, ...]
    asked: tuple[tuple[str, str], ...]

    @property
    def unit_assumed(self) -> bool:
        return any(not one.unit for one in self.counters)


def meter_seen(seen: Inspection) -> MeterSeen:
    failure, sight = seen.failure, None if seen.reading is None else seen.reading.sight
    failed = "" if failure is None else f"{SILENCES[failure.reason]}{f': {failure.detail}' if failure.detail else ''}"
    return MeterSeen(
        failed=failed,
        next_step="" if seen.next_step is None else step_text(seen.next_step),
        responder=seen.responder,
        version=seen.version,
        took_s=seen.took_s,
        model=seen.identity.model,
        serial=seen.identity.serial,
        description=seen.identity.description,
        object_id=seen.identity.object_id,
        state="" if sight is None else ", ".join([sight.state.value, *sight.errors]),
        counters=tuple(map(_counter, seen.channels)),
        witnesses=tuple(map(_counter, seen.witnesses)),
        devices=tuple(_devices(seen)),
        warnings=tuple(_warnings(seen)),
        asked=tuple((one.name, one.answer) for one in seen.asked),
    )


def _counter(one: ChannelFound) -> CounterSeen:
    unit = "" if one.unit is None else one.unit.value
    return CounterSeen(one.name, one.value, unit, GRADES[one.grade], one.why, " + ".join(one.objects))


def _devices(seen: Inspection) -> Iterator[str]:
    for one in seen.devices:
        read = ", which is read" if one.index == seen.device else ""
        yield f"{one.index}: {one.serial or one.model or 'says neither serial number nor model'}{read}"


def _warnings(seen: Inspection) -> Iterator[str]:
    yield from (one.text for one in seen.checks if not one.passed)
    yield from seen.notes
    if seen.reading is not None and not seen.identity.serial:
        yield "It gives no serial number, so another printer in its place would not be noticed by that."
