"""The first stages: a name, ports that can be reached, somebody who answers, and that it is the printer."""

from __future__ import annotations

from dataclasses import replace
from time import perf_counter
from typing import Final

from pagereeve.domain.facts.reading import SilenceReason
from pagereeve.ports.inspection import Inspection, Inspector
from pagereeve.ports.meter import MeterTarget, Version
from pagereeve.proof.plan import Plan
from pagereeve.proof.results import Stage
from pagereeve.proof.stages.network import PortSeen, addresses_of, port_of

SNMP_PORT: Final = 161

# What the answer stage is about; the others belong to later stages.
NO_ANSWER: Final = frozenset(
    {
        SilenceReason.TIMEOUT,
        SilenceReason.ASLEEP,
        SilenceReason.LATE,
        SilenceReason.REFUSED,
        SilenceReason.UNREACHABLE,
        SilenceReason.MALFORMED,
        SilenceReason.NAME_NOT_FOUND,
    }
)
MISDIRECTED: Final = frozenset({SilenceReason.WRONG_RESPONDER, SilenceReason.WRONG_DEVICE})
SILENT: Final = frozenset({SilenceReason.TIMEOUT, SilenceReason.ASLEEP})


async def name_stage(plan: Plan) -> Stage:
    """The host's name has an address."""
    host, began_s = plan.target.host, perf_counter()
    tried = f"the address of {host}"
    try:
        found = await addresses_of(host, plan.patience.connect_s)
    except (OSError, TimeoutError) as error:
        came = f"none ({error or 'the name service does not answer'})"
        advice = "correct the host in the printer's entry, or the name service of this machine"
        return Stage("name", "failed", tried, came, perf_counter() - began_s, advice)
    return Stage("name", "passed", tried, ", ".join(found), perf_counter() - began_s)


async def ports_stage(plan: Plan) -> tuple[Stage, list[PortSeen]]:
    """The print port, and the web port if asked for, can be connected to. Nothing is sent."""
    wanted = [port for port in (plan.print_port, plan.web_port) if port is not None]
    if not wanted:
        return Stage("ports", "not-tried", "no port was asked for", ""), []
    began_s = perf_counter()
    seen = [await port_of(plan.target.host, port, plan.patience.connect_s) for port in wanted]
    took_s = perf_counter() - began_s
    came = ", ".join(f"{one.port} {one.reach}" + (f" ({one.detail})" if one.detail else "") for one in seen)
    tried = f"TCP connections to {plan.target.host}, ports {', '.join(map(str, wanted))}"
    closed = [one for one in seen if one.reach != "open"]
    if not closed:
        return Stage("ports", "passed", tried, came, took_s), seen
    advice = " ".join(_port_advice(one, plan) for one in closed)
    return Stage("ports", "failed", tried, came, took_s, advice), seen


def _port_advice(seen: PortSeen, plan: Plan) -> str:
    what = "print data" if seen.port == plan.print_port else "web page"
    if seen.reach == "broken-off":
        return (
            f"The gateway takes {what} at port {seen.port}, but nothing behind it does: is the printer on, and its "
            "inner address right in the forward?"
        )
    if seen.reach == "refused":
        return f"Nothing takes {what} at port {seen.port}: set up the gateway's forward, or correct the port."
    return f"Port {seen.port} stays silent: check the host's address, its power and cable, and the firewall between."


async def answer_stage(
    plan: Plan, inspector: Inspector, ports: list[PortSeen]
) -> tuple[Stage, Inspection, MeterTarget]:
    """Somebody answers SNMP; if not as the entry says, whether another version would be answered. Or IPP, where that is
    the meter.
    """
    target, patience = plan.target, plan.patience
    seen = await inspector.inspect(target, patience.inspect_s)
    by_ipp = target.meter == "ipp"
    tried = f"SNMP v{target.version} at {target.host}:{target.port}"
    if by_ipp:
        tried = f"IPP at {target.host}:{target.ipp_port}"
    failure = seen.failure
    if failure is None or failure.reason not in NO_ANSWER | {SilenceReason.NOT_ADMITTED}:
        return Stage("answer", "passed", tried, f"{seen.responder} answers", seen.took_s), seen, target
    if by_ipp:
        advice = "" if seen.next_step is None else seen.next_step.text
        return Stage("answer", "failed", tried, failure.detail, seen.took_s, advice), seen, target
    if failure.reason in SILENT:
        for version in _others(target):
            other = replace(target, version=version)
            again = await inspector.inspect(other, patience.inspect_s)
            if again.failure is None or again.failure.reason not in NO_ANSWER:
                came = f"silence to v{target.version}, but an answer to v{version}"
                advice = f'set version = "{version}" in the printer\'s entry'
                stage = Stage("answer", "warned", tried, came, seen.took_s + again.took_s, advice)
                return stage, again, other
    advice = _silence_advice(failure.reason, ports)
    return Stage("answer", "failed", tried, failure.detail, seen.took_s, advice), seen, target


def _others(target: MeterTarget) -> list[Version]:
    known: list[Version] = ["2c", "1"]
    if target.user is not None:
        known.insert(0, "3")
    return [version for version in known if version != target.version]


def _silence_advice(reason: SilenceReason, ports: list[PortSeen]) -> str:
    alive = any(one.reach in {"open", "broken-off", "refused"} for one in ports)
    if reason is SilenceReason.REFUSED:
        return "Nothing listens at that UDP port: set up the gateway's forward to the printer's port 161."
    if reason is SilenceReason.NOT_ADMITTED:
        return "Correct user, passwords, protocols or context in the printer's entry, or in the printer."
    if reason is SilenceReason.MALFORMED:
        return "The answer can't be read: look whether another service has that port; else report it with a capture."
    if reason is SilenceReason.LATE:
        return "Lengthen watch.read_timeout, and find out what makes the path so slow."
    if reason in SILENT and alive:
        return (
            "The host is there, but SNMP stays silent: switch SNMP on in the printer, check the community and the "
            "access list there, and the gateway's UDP forward."
        )
    return "Nothing of that host answers: check its address, power and cable, and the firewall between."


def identity_stage(plan: Plan, seen: Inspection) -> Stage:
    """It is a printer, the one of the entry, and not the box before it."""
    target, identity = plan.target, seen.identity
    expected = [text for text in (target.serial and f"serial {target.serial}", target.object_id) if text]
    tried = f"a printer with {' and '.join(expected)}" if expected else "a printer's own agent"
    came = (
        f"serial {identity.serial or '-'}, object id {identity.object_id or '-'}, model "
        f"{identity.model or identity.description or '-'}"
    )
    failure = seen.failure
    if failure is not None and failure.reason in MISDIRECTED and target.meter == "ipp" and seen.next_step is not None:
        return Stage("identity", "failed", tried, failure.detail, 0.0, seen.next_step.text)
    if failure is not None and failure.reason is SilenceReason.WRONG_RESPONDER:
        advice = "The box in the middle answers for itself: ask the port that it forwards to the printer, or mend that."
        return Stage("identity", "failed", tried, failure.detail, 0.0, advice)
    if failure is not None and failure.reason is SilenceReason.WRONG_DEVICE:
        advice = "Another printer is behind this port: correct the forward, or serial and object id in the entry."
        return Stage("identity", "failed", tried, failure.detail, 0.0, advice)
    if target.meter == "snmp" and target.port == SNMP_PORT and target.host in plan.gateway_hosts:
        advice = "Port 161 of a gateway may one day be answered by the gateway itself: forward another port."
        return Stage("identity", "warned", tried, came, 0.0, advice)
    if not identity.serial and not identity.object_id:
        advice = "Nothing identifies this printer: a swapped printer would go unnoticed."
        return Stage("identity", "warned", tried, came, 0.0, advice)
    return Stage("identity", "passed", tried, came)
