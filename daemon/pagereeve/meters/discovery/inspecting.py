"""What an inspection shows of a survey: channels, checks and notes, for people."""

from __future__ import annotations

from pagereeve.domain.facts.reading import Failure, Reading
from pagereeve.meters.discovery.survey import Candidate, Survey
from pagereeve.ports.inspection import ChannelFound, CheckMade, Inspection, PrinterIdentity
from pagereeve.ports.meter import MeterTarget


def inspection_of(
    seen: Survey | None, target: MeterTarget, responder: str, result: Reading | Failure, took_s: float
) -> Inspection:
    """``seen`` is None where nobody useful answered."""
    reading = result if isinstance(result, Reading) else None
    failure = result if isinstance(result, Failure) else None
    if seen is None:
        return Inspection(responder, target.version, PrinterIdentity(), (), (), (), reading, failure, took_s)
    serial = reading.sight.serial if reading else ""
    return Inspection(
        responder=responder,
        version=target.version,
        identity=PrinterIdentity(serial, seen.object_id, seen.model, seen.description),
        channels=tuple(_found(one) for one in seen.chosen),
        checks=tuple(CheckMade(verdict.passed, verdict.text) for verdict in seen.checks),
        notes=tuple(_notes(seen)),
        reading=reading,
        failure=failure,
        took_s=took_s,
    )


def _found(candidate: Candidate) -> ChannelFound:
    channel = candidate.channel
    return ChannelFound(
        name=channel.name,
        unit=candidate.unit,
        unit_said=candidate.said,
        value=candidate.figure.value,
        modulus=channel.modulus,
        objects=channel.objects,
        source=channel.source,
        why=channel.why,
        flags=candidate.figure.flags,
    )


def _notes(seen: Survey) -> list[str]:
    chosen = {one.channel.name: one for one in seen.chosen}
    return [
        *seen.notes,
        *(_passed_over(one, chosen[one.channel.name]) for one in seen.candidates if _is_other(one, chosen)),
    ]


def _is_other(one: Candidate, chosen: dict[str, Candidate]) -> bool:
    used = chosen[one.channel.name].channel
    return used.objects != one.channel.objects and used.source != one.channel.source


def _passed_over(one: Candidate, used: Candidate) -> str:
    where = ", ".join(one.channel.objects)
    known = one.unit is None and used.unit is not None
    why = "whose unit is known" if known else "which comes first"
    text = f"{one.channel.name} {one.figure.value} by {where} ({one.channel.source}, unit {one.said})"
    return f"{text} is not used: {used.channel.source} has one, {why}"
