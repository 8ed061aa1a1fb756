"""A fact as one JSON object, both ways: the journal's bodies, the NDJSON that travels, the canonical bytes."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any, Final, assert_never

from pagereeve.domain.facts.codec_origin import origin_json, origin_of
from pagereeve.domain.facts.codec_policy import policy_of, rules_json
from pagereeve.domain.facts.codec_site import SITE_READERS, site_json
from pagereeve.domain.facts.events import data_of, event_of
from pagereeve.domain.facts.facts import (
    Assigned,
    BadgePolicySet,
    BadgePresented,
    BadgeUnreadable,
    Bound,
    Conflict,
    Event,
    Fact,
    PlateauRead,
    PolicySet,
    ReadFailed,
    Registered,
    SettleLearned,
)
from pagereeve.domain.facts.reading import (
    COUNTER32_MODULUS,
    Count,
    Plateau,
    PrinterState,
    Sight,
    Silence,
    SilenceReason,
    Unit,
)
from pagereeve.domain.values.canonical import canonical
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.fields import Fields
from pagereeve.domain.values.instants import to_text

FIGURE_MAX = 2**53 - 1
CHANNELS_MAX = 32
TICKS_MAX = 2**32 - 1


_Site = Assigned | Registered | Bound | BadgePolicySet | BadgeUnreadable
_NoEvent = PlateauRead | ReadFailed | PolicySet | SettleLearned | _Site | Conflict


def to_json(fact: Fact) -> dict[str, Any]:
    """The fact as a JSON object; ``fact`` names its kind."""
    body = _event_json(fact) if isinstance(fact, Event) else _other_json(fact)
    return {name: value for name, value in body.items() if value not in ("", None)}


def _event_json(event: Event) -> dict[str, Any]:
    kind, data = data_of(event)
    body = {"fact": "event", "printer": event.printer, **origin_json(event.origin), "type": kind, "data": data}
    if isinstance(event, BadgePresented):
        body["resembles"] = event.resembles
    return body


def _other_json(fact: _NoEvent) -> dict[str, Any]:
    match fact:
        case PlateauRead():
            body = {"fact": "reading", "printer": fact.printer, **_plateau_json(fact.plateau)}
        case ReadFailed():
            body = {"fact": "read-failed", "printer": fact.printer, **_silence_json(fact.silence)}
        case PolicySet():
            body = {"fact": "policy", "printer": fact.printer, "at": to_text(fact.at_us)}
            body["policy"] = rules_json(fact.policy)
        case SettleLearned():
            body = {"fact": "settle-learned", "printer": fact.printer, "at": to_text(fact.at_us)}
            body["settle_us"] = fact.settle_us
        case Assigned() | Registered() | Bound() | BadgePolicySet() | BadgeUnreadable():
            body = site_json(fact)
        case Conflict():
            body = {"fact": "conflict", "printer": fact.printer, **origin_json(fact.origin)}
            body |= {"type": fact.kind, "digest": fact.digest}
        case _:
            assert_never(fact)
    return body


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


def _event(fields: Fields) -> Event:
    printer = fields.optional_text("printer") or ""
    event = event_of(fields.text("type"), origin_of(fields), fields.members("data"))
    if isinstance(event, BadgePresented):
        return replace(event, printer=printer, resembles=fields.optional_text("resembles") or "")
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


def _reading(fields: Fields) -> PlateauRead:
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
    return PlateauRead(printer, plateau)


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


def _policy(fields: Fields) -> PolicySet:
    return PolicySet(fields.text("printer"), fields.instant("at"), policy_of(fields.object("policy")))


def _settle(fields: Fields) -> SettleLearned:
    return SettleLearned(fields.text("printer"), fields.instant("at"), fields.integer("settle_us", 0, FIGURE_MAX))


def _conflict(fields: Fields) -> Conflict:
    return Conflict(
        printer=fields.optional_text("printer") or "",
        origin=origin_of(fields),
        kind=fields.text("type"),
        digest=fields.text("digest"),
    )


_READERS: Final[dict[str, Callable[[Fields], Fact]]] = {
    **SITE_READERS,
    "event": _event,
    "reading": _reading,
    "read-failed": _failed,
    "policy": _policy,
    "settle-learned": _settle,
    "conflict": _conflict,
}
