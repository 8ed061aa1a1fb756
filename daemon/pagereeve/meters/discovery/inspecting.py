"""What an inspection shows of a survey: channels, checks and notes, for people."""

from __future__ import annotations

from pagereeve.domain.facts.reading import Failure, Reading
from pagereeve.meters.discovery.choosing import Candidate
from pagereeve.meters.discovery.introduction import Introduction
from pagereeve.meters.discovery.next_steps import next_step
from pagereeve.meters.discovery.responders import enterprise_of
from pagereeve.meters.discovery.serials import names_nobody
from pagereeve.meters.discovery.survey import Survey
from pagereeve.meters.discovery.text import printable
from pagereeve.meters.snmp.ber import OCTET_STRING, Varbind
from pagereeve.ports.inspection import (
    ChannelFound,
    CheckMade,
    Inspection,
    PrinterIdentity,
    ResponderKind,
)
from pagereeve.ports.meter import MeterTarget


def inspection_of(
    seen: Survey | None,
    said: Introduction,
    target: MeterTarget,
    responder: str,
    result: Reading | Failure,
    took_s: float,
) -> Inspection:
    """``seen`` is None where no meter was found; ``said`` is what the agent said of itself, as far as it came."""
    identity = _identity(seen, said, result)
    failure = result if isinstance(result, Failure) else None
    return Inspection(
        responder=responder,
        version=target.version,
        identity=identity,
        channels=() if seen is None else tuple(_found(one) for one in seen.choice.chosen),
        checks=() if seen is None else tuple(CheckMade(verdict.passed, verdict.text) for verdict in seen.choice.checks),
        notes=() if seen is None else tuple(_notes(seen)),
        reading=result if isinstance(result, Reading) else None,
        failure=failure,
        took_s=took_s,
        device=None if seen is None else seen.device,
        devices=() if seen is None else tuple(seen.devices),
        witnesses=() if seen is None else tuple(_found(one) for one in seen.choice.witnesses),
        kind=said.kind if seen is None else ResponderKind.PRINTER,
        asked=() if failure is None else tuple(said.asked),
        next_step=None if failure is None else next_step(failure.reason, said.kind, enterprise_of(identity.object_id)),
    )


def _identity(seen: Survey | None, said: Introduction, result: Reading | Failure) -> PrinterIdentity:
    """The survey looked at the printer's own row; what it lacks, the introduction has."""
    serial = result.sight.serial if isinstance(result, Reading) else said.identity.serial
    if seen is None:
        return PrinterIdentity(serial, said.identity.object_id, said.identity.model, said.identity.description)
    return PrinterIdentity(
        serial,
        seen.object_id or said.identity.object_id,
        seen.model or said.identity.model,
        seen.description or said.identity.description,
    )


def shared_serial(varbind: Varbind | None) -> list[str]:
    """What is to be said of a serial number that proves nothing."""
    serial = printable(varbind.content) if varbind is not None and varbind.tag == OCTET_STRING else ""
    text = f"its serial number {serial[:32]!r} is one that many devices share: it proves nothing"
    return [text] if names_nobody(serial) else []


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
        grade=candidate.known.grade,
        rests_on=channel.rests_on,
    )


def _notes(seen: Survey) -> list[str]:
    chosen = {one.channel.name: one for one in seen.choice.chosen}
    return [
        *seen.notes,
        *seen.choice.notes,
        *(_passed_over(one, chosen[one.channel.name]) for one in seen.choice.witnesses if _is_other(one, chosen)),
    ]


def _is_other(one: Candidate, chosen: dict[str, Candidate]) -> bool:
    used = chosen.get(one.channel.name)
    if used is None or (one.channel.name == "total" and one.figure.value == 0 and used.figure.value):
        return False
    return used.channel.objects != one.channel.objects and used.channel.source != one.channel.source


def _passed_over(one: Candidate, used: Candidate) -> str:
    where = ", ".join(one.channel.objects)
    known = one.unit is None and used.unit is not None
    why = "whose unit is known" if known else "which comes first"
    text = f"{one.channel.name} {one.figure.value} by {where} ({one.channel.source}, unit {one.said})"
    return f"{text} is not billed: {used.channel.source} has one, {why}"
