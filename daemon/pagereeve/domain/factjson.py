"""A fact as one JSON object, both ways: the journal's bodies, the NDJSON that travels, the canonical bytes."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import fields as dataclass_fields
from dataclasses import replace
from typing import Any, Final, assert_never, get_args

from pagereeve.domain.canonical import canonical
from pagereeve.domain.errors import BadFact
from pagereeve.domain.eventdata import data_of, event_of
from pagereeve.domain.facts import (
    Action,
    Assigned,
    BadgePresented,
    ClockMark,
    Conflict,
    Decided,
    Event,
    Fact,
    Origin,
    PolicySet,
    PrinterNoted,
    Read,
    ReadFailed,
    ReleaseEnded,
    ReleaseStarted,
    SettleLearned,
)
from pagereeve.domain.fields import Fields
from pagereeve.domain.instants import to_text
from pagereeve.domain.policy import BlankBacks, Charging, Policy
from pagereeve.domain.reading import (
    COUNTER32_MODULUS,
    Count,
    Plateau,
    PrinterState,
    Sight,
    Silence,
    SilenceReason,
    Unit,
)

FIGURE_MAX = 2**53 - 1
CHANNELS_MAX = 32
TICKS_MAX = 2**32 - 1


def to_json(fact: Fact) -> dict[str, Any]:
    """The fact as a JSON object; ``fact`` names its kind."""
    match fact:
        case Read():
            body = {"fact": "reading", "printer": fact.printer, **_plateau_json(fact.plateau)}
        case ReadFailed():
            body = {"fact": "read-failed", "printer": fact.printer, **_silence_json(fact.silence)}
        case PolicySet():
            body = {"fact": "policy", "printer": fact.printer, "at": to_text(fact.at_us)}
            body["policy"] = policy_json(fact.policy)
        case SettleLearned():
            body = {"fact": "settle-learned", "printer": fact.printer, "at": to_text(fact.at_us)}
            body["settle_us"] = fact.settle_us
        case Assigned():
            body = {"fact": "assigned", "at": to_text(fact.at_us), "owner": fact.owner}
            body["cost_centre"] = fact.cost_centre
        case Decided():
            body = {"fact": "decided", "printer": fact.printer, "at": to_text(fact.at_us)}
            body |= {"finding": fact.finding, "action": fact.action, "by": fact.by, "text": fact.text}
        case Conflict():
            body = {"fact": "conflict", "printer": fact.printer, **_origin_json(fact.origin)}
            body |= {"type": fact.kind, "digest": fact.digest}
        case BadgePresented() | ReleaseStarted() | ReleaseEnded() | PrinterNoted():
            kind, data = data_of(fact)
            body = {"fact": "event", "printer": fact.printer, **_origin_json(fact.origin)}
            body |= {"type": kind, "data": data}
        case _:
            assert_never(fact)
    return {name: value for name, value in body.items() if value not in ("", None)}


def from_json(members: Any) -> Fact:
    """The inverse of to_json. Raises BadFact, which names the member that is wrong."""
    fields = Fields(members, "")
    kind = fields.text("fact")
    reader = _READERS.get(kind)
    if reader is None:
        raise BadFact("fact", f"{kind[:40]!r} is not known; known are {', '.join(sorted(_READERS))}")
    fact = reader(fields)
    fields.finish()
    return fact


def fact_bytes(fact: Fact) -> bytes:
    """The canonical bytes of a fact (RFC 8785)."""
    return canonical(to_json(fact))


def _origin_json(origin: Origin) -> dict[str, Any]:
    return {
        "source": origin.source,
        "id": origin.id,
        "at": to_text(origin.at_us),
        "received": to_text(origin.received_us),
        "occurred": None if origin.occurred_us is None else to_text(origin.occurred_us),
        "clock": origin.clock,
    }


def _origin(fields: Fields) -> Origin:
    return Origin(
        source=fields.text("source"),
        id=fields.text("id"),
        at_us=fields.instant("at"),
        received_us=fields.instant("received"),
        occurred_us=fields.optional_instant("occurred"),
        clock=fields.optional_choice("clock", get_args(ClockMark)) or "",
    )


def _event(fields: Fields) -> Event:
    printer = fields.optional_text("printer") or ""
    event = event_of(fields.text("type"), _origin(fields), fields.members("data"))
    return replace(event, printer=printer)


def _plateau_json(plateau: Plateau) -> dict[str, Any]:
    return {
        "first_sent": to_text(plateau.first_sent_us),
        "first_received": to_text(plateau.first_received_us),
        "last_sent": to_text(plateau.last_sent_us),
        "last_received": to_text(plateau.last_received_us),
        "count": plateau.count,
        **sight_json(plateau.sight),
        "first_uptime_cs": plateau.first_uptime_cs,
        "last_uptime_cs": plateau.last_uptime_cs,
        "first_power_on": plateau.first_power_on,
        "last_power_on": plateau.last_power_on,
    }


def sight_json(sight: Sight) -> dict[str, Any]:
    return {
        "counts": {name: count.value for name, count in sight.counts},
        "units": {name: count.unit.value for name, count in sight.counts},
        **counter_json(sight.counts),
        "serial": sight.serial,
        "object_id": sight.object_id,
        "state": sight.state.value,
        "errors": list(sight.errors),
        **({"responder": sight.responder} if sight.responder else {}),
    }


def counter_json(counts: Iterable[tuple[str, Count]]) -> dict[str, Any]:
    """What is to be said of the counters themselves, where it isn't what goes without saying."""
    listed = list(counts)
    moduli = {name: count.modulus for name, count in listed if count.modulus != COUNTER32_MODULUS}
    objects = {name: count.object for name, count in listed if count.object}
    members = {"moduli": moduli, "objects": objects}
    return {name: value for name, value in members.items() if value}


def counts_from(fields: Fields) -> tuple[tuple[str, Count], ...]:
    """The members ``counts``, ``units``, ``moduli`` and ``objects``, by channel. Raises BadFact."""
    counts, units = fields.object("counts"), fields.object("units")
    moduli = fields.optional_object("moduli") or Fields({}, "moduli")
    objects = fields.optional_object("objects") or Fields({}, "objects")
    names = sorted(counts.names())
    if len(names) > CHANNELS_MAX:
        raise BadFact("counts", f"has {len(names)} channels; {CHANNELS_MAX} at most")
    found = []
    for name in names:
        value = counts.integer(name, 0, FIGURE_MAX)
        unit = units.choice(name, tuple(Unit))
        modulus = moduli.optional_integer(name, 0, FIGURE_MAX)
        modulus = COUNTER32_MODULUS if modulus is None else modulus
        found.append((name, Count(value, unit, modulus, objects.optional_text(name) or "")))
    for rest in (units, moduli, objects):
        rest.finish()
    return tuple(found)


def _sight(fields: Fields) -> Sight:
    return Sight(
        counts=counts_from(fields),
        serial=fields.optional_text("serial") or "",
        object_id=fields.optional_text("object_id") or "",
        state=fields.choice("state", tuple(PrinterState)),
        errors=fields.texts("errors", 32),
        responder=fields.optional_text("responder") or "",
    )


def _reading(fields: Fields) -> Read:
    printer = fields.text("printer")
    plateau = Plateau(
        first_sent_us=fields.instant("first_sent"),
        first_received_us=fields.instant("first_received"),
        last_sent_us=fields.instant("last_sent"),
        last_received_us=fields.instant("last_received"),
        count=fields.integer("count", 1, FIGURE_MAX),
        sight=_sight(fields),
        first_uptime_cs=fields.optional_integer("first_uptime_cs", 0, TICKS_MAX),
        last_uptime_cs=fields.optional_integer("last_uptime_cs", 0, TICKS_MAX),
        first_power_on=fields.optional_integer("first_power_on", 0, FIGURE_MAX),
        last_power_on=fields.optional_integer("last_power_on", 0, FIGURE_MAX),
    )
    times = (plateau.first_sent_us, plateau.first_received_us, plateau.last_received_us)
    if list(times) != sorted(times) or not plateau.first_sent_us <= plateau.last_sent_us <= plateau.last_received_us:
        raise BadFact("last_received", "the reading ends before it begins; check the four times")
    return Read(printer, plateau)


def _silence_json(silence: Silence) -> dict[str, Any]:
    return {
        "first_sent": to_text(silence.first_sent_us),
        "last_received": to_text(silence.last_received_us),
        "count": silence.count,
        "reason": silence.reason.value,
        "detail": silence.detail,
        "responder": silence.responder,
    }


def _failed(fields: Fields) -> ReadFailed:
    return ReadFailed(
        fields.text("printer"),
        Silence(
            first_sent_us=fields.instant("first_sent"),
            last_received_us=fields.instant("last_received"),
            count=fields.integer("count", 1, FIGURE_MAX),
            reason=fields.choice("reason", tuple(SilenceReason)),
            detail=fields.optional_text("detail") or "",
            responder=fields.optional_text("responder") or "",
        ),
    )


def policy_json(policy: Policy) -> dict[str, Any]:
    return {field.name: getattr(policy, field.name) for field in dataclass_fields(Policy)}


_POLICY_CHOICES: Final[dict[str, tuple[str, ...]]] = {
    "charging": get_args(Charging),
    "blank_backs": get_args(BlankBacks),
}


def policy_of(fields: Fields) -> Policy:
    """A policy whose unnamed rules keep their defaults. Raises BadFact."""
    changes: dict[str, Any] = {}
    for name in fields.names():
        if name in _POLICY_CHOICES:
            changes[name] = fields.choice(name, _POLICY_CHOICES[name])
        elif name == "separator_sheets":
            changes[name] = fields.optional_integer(name, 0, 2)
        elif name in Policy.__dataclass_fields__:
            changes[name] = fields.integer(name, 0, FIGURE_MAX)
    fields.finish()
    return Policy(**changes)


def _policy(fields: Fields) -> PolicySet:
    return PolicySet(fields.text("printer"), fields.instant("at"), policy_of(fields.object("policy")))


def _settle(fields: Fields) -> SettleLearned:
    return SettleLearned(fields.text("printer"), fields.instant("at"), fields.integer("settle_us", 0, FIGURE_MAX))


def _assigned(fields: Fields) -> Assigned:
    return Assigned(fields.instant("at"), fields.text("owner"), fields.text("cost_centre"))


def _decided(fields: Fields) -> Decided:
    return Decided(
        printer=fields.optional_text("printer") or "",
        at_us=fields.instant("at"),
        finding=fields.text("finding"),
        action=fields.choice("action", get_args(Action)),
        by=fields.text("by"),
        text=fields.optional_text("text") or "",
    )


def _conflict(fields: Fields) -> Conflict:
    return Conflict(
        printer=fields.optional_text("printer") or "",
        origin=_origin(fields),
        kind=fields.text("type"),
        digest=fields.text("digest"),
    )


_READERS: Final[dict[str, Callable[[Fields], Fact]]] = {
    "event": _event,
    "reading": _reading,
    "read-failed": _failed,
    "policy": _policy,
    "settle-learned": _settle,
    "assigned": _assigned,
    "decided": _decided,
    "conflict": _conflict,
}
