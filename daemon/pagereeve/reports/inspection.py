"""What the daemon makes of an agent, for people and as JSON."""

from __future__ import annotations

from typing import Any

from pagereeve.domain.values.visible import visible
from pagereeve.ports.inspection import Asked, ChannelFound, DeviceFound, Inspection, NextStep


def inspection_json(seen: Inspection) -> dict[str, Any]:
    """``usable`` says whether the daemon could account by this meter; ``why_not`` has the reason if it couldn't."""
    reading, failure = seen.reading, seen.failure
    return {
        "usable": reading is not None,
        "why_not": None if failure is None else {"reason": failure.reason.value, "detail": failure.detail},
        "responder": seen.responder,
        "kind": seen.kind.value,
        "asked": [one._asdict() for one in seen.asked],
        "next_step": None if seen.next_step is None else seen.next_step._asdict(),
        "door": seen.door,
        "version": seen.version if seen.door == "snmp" else None,
        "took_s": round(seen.took_s, 3),
        "identity": {
            "serial": seen.identity.serial,
            "object_id": seen.identity.object_id,
            "model": seen.identity.model,
            "description": seen.identity.description,
        },
        "device": seen.device,
        "devices": [_device_json(device) for device in seen.devices],
        "channels": [_channel_json(channel) for channel in seen.channels],
        "witnesses": [_channel_json(channel) for channel in seen.witnesses],
        "checks": [{"passed": check.passed, "text": check.text} for check in seen.checks],
        "notes": list(seen.notes),
        "state": None if reading is None else reading.sight.state.value,
        "errors": [] if reading is None else list(reading.sight.errors),
        "uptime_cs": None if reading is None else reading.uptime_cs,
        "power_on_count": None if reading is None else reading.power_on,
        "beside": None if seen.beside is None else inspection_json(seen.beside),
    }


def _device_json(device: DeviceFound) -> dict[str, Any]:
    return {
        "index": device.index,
        "serial": device.serial,
        "model": device.model,
        "markers": [{"index": one.index, "value": one.value, "unit": one.unit} for one in device.markers],
    }


def _channel_json(channel: ChannelFound) -> dict[str, Any]:
    return {
        "name": channel.name,
        "value": channel.value,
        "unit": None if channel.unit is None else channel.unit.value,
        "unit_said": channel.unit_said,
        "unit_grade": channel.grade.value,
        "rests_on": channel.rests_on,
        "modulus": channel.modulus or None,
        "objects": list(channel.objects),
        "source": channel.source,
        "why": channel.why,
        "flags": list(channel.flags),
    }


def inspection_text(seen: Inspection) -> str:
    """The same for a terminal; what the other protocol shows comes last."""
    if seen.beside is None:
        return _one_door(seen)
    title = "By IPP" if seen.beside.door == "ipp" else "By SNMP"
    return f"{_one_door(seen)}\n\n{title}, beside it:\n\n{_one_door(seen.beside)}"


def _one_door(seen: Inspection) -> str:
    identity = seen.identity
    protocol = "IPP" if seen.door == "ipp" else f"SNMP v{seen.version}"
    lines = [
        f"answered by  {seen.responder or 'nobody'} ({protocol}, {seen.took_s:.2f} s)",
        f"serial       {visible(identity.serial) or '-'}",
        f"object id    {identity.object_id or '-'}",
        f"model        {visible(identity.model) or '-'}",
        f"description  {visible(identity.description) or '-'}",
    ]
    if seen.reading is not None:
        sight = seen.reading.sight
        lines.append(f"state        {', '.join([sight.state.value, *sight.errors])}")
    lines += ["", *_device_lines(seen)] if seen.devices else []
    lines += ["", *_channel_lines(seen.channels)] if seen.channels else []
    lines += [f"witness {_one_line(one)}" for one in seen.witnesses]
    lines += ["", *(f"{'check' if one.passed else 'FAILED'}  {one.text}" for one in seen.checks)] if seen.checks else []
    lines += ["", *(f"note   {visible(note)}" for note in seen.notes)] if seen.notes else []
    lines += ["", *_asked_lines(seen.asked)] if seen.asked else []
    return "\n".join([*lines, "", _verdict(seen)])


def _device_lines(seen: Inspection) -> list[str]:
    """Each printer of the agent, with its markers; the one that is read is marked."""
    lines = []
    for one in seen.devices:
        markers = ", ".join(f"{marker.index}: {marker.value} {marker.unit}" for marker in one.markers) or "no marker"
        mark = " <- read" if one.index == seen.device else ""
        name = visible(one.serial or one.model) or "-"
        lines.append(f"device {one.index:<5} {name}, {visible(markers)}{mark}")
    return lines


def _asked_lines(asked: tuple[Asked, ...]) -> list[str]:
    """What was asked besides, and what came: where nothing did, that is what the refusal rests on."""
    width = max(len(one.name) for one in asked)
    return [f"asked for {one.name:{width}}  {visible(one.answer) or 'no such object'}" for one in asked]


def _channel_lines(channels: tuple[ChannelFound, ...]) -> list[str]:
    lines = [f"{'channel':8} {'value':>10}  {'unit':12} {'source':12} objects"]
    for one in channels:
        lines.append(_one_line(one))
        lines.append(f"{'':8} {'':>10}  {one.why}{_unit_note(one)}")
    return lines


def _one_line(one: ChannelFound) -> str:
    unit = one.unit_said if one.unit is None else one.unit.value
    flags = f" [{', '.join(one.flags)}]" if one.flags else ""
    return f"{one.name:8} {one.value:>10}  {unit:12} {one.source:12} {' + '.join(one.objects)}{flags}"


def _unit_note(one: ChannelFound) -> str:
    if one.unit is not None:
        return f"; its unit is {one.grade.value}"
    return "; its unit is not known, so two-sided work costs between sheets and sides"


def _verdict(seen: Inspection) -> str:
    if seen.failure is None:
        return "The meter can be used."
    text = f"The meter can't be used ({seen.failure.reason}): {visible(seen.failure.detail)}"
    return text if seen.next_step is None else f"{text}\nNext: {step_text(seen.next_step)}"


def step_text(step: NextStep) -> str:
    """What to do, with the place where it was published."""
    return f"{step.text} ({step.source})" if step.source else step.text
