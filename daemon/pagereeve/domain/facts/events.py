"""The ``data`` of the event types, read strictly: from an envelope's JSON to a fact, and back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Literal, get_args

from pagereeve.domain.facts.facts import (
    Action,
    BadgeOutcome,
    BadgePresented,
    Decided,
    Event,
    Note,
    Origin,
    Outcome,
    PrinterNoted,
    Reason,
    ReleaseEnded,
    ReleaseStarted,
)
from pagereeve.domain.facts.ticket import (
    COPIES_MAX,
    NUMBER_UP_MAX,
    PAGES_MAX,
    SEPARATORS_MAX,
    ColorMode,
    Sides,
    Ticket,
)
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.fields import Fields

BADGE_PRESENTED: Final = "pagereeve.badge.presented.v1"
RELEASE_STARTED: Final = "pagereeve.release.started.v1"
RELEASE_ENDED: Final = "pagereeve.release.ended.v1"
PRINTER_NOTED: Final = "pagereeve.printer.noted.v1"
FINDING_DECIDED: Final = "pagereeve.finding.decided.v1"

NAME_MAX = 200


@dataclass(frozen=True, slots=True)
class EventType:
    """All that other rooms need to know of a type of event; a new one is one more row of EVENT_TYPES.

    kind      the CloudEvents ``type``, and the kind under which the journal stores it
    counter   its short name in counters and metrics
    fact      its dataclass
    read      from the members of ``data`` to the fact; raises BadFact
    data      the inverse, with empty texts and None for what is unknown
    needed    texts of the fact; where one is empty, a stored body is read back before anybody relies on it
    stands    is it in force beyond its own time, as a decision is? (then it is in the condition of ix_fact_few)
    checked   do the badge checks look at it? (then it is in the condition of ix_fact_entrance)
    """

    kind: str
    counter: str
    fact: type[Event]
    read: Callable[[Fields, Origin], Event]
    data: Callable[[Any], dict[str, Any]]
    needed: tuple[str, ...]
    stands: bool = False
    checked: bool = False


def event_of(event_type: str, origin: Origin, data: Any) -> Event:
    """The fact that ``data`` of ``event_type`` states. Raises BadFact, which names the member."""
    known = _BY_KIND.get(event_type)
    if known is None:
        raise BadFact("type", f"{event_type[:80]!r} is not known; known are {', '.join(sorted(_BY_KIND))}")
    fields = Fields(data, "data")
    event = known.read(fields, origin)
    fields.finish()
    return event


def type_of(event: Event) -> EventType:
    return _BY_FACT[type(event)]


def type_named(kind: str) -> EventType | None:
    return _BY_KIND.get(kind)


def data_of(event: Event) -> tuple[str, dict[str, Any]]:
    """The inverse of ``event_of``: an event's type and its ``data``, without what is unknown."""
    known = type_of(event)
    return known.kind, {name: value for name, value in known.data(event).items() if value not in ("", None, {})}


def _badge(fields: Fields, origin: Origin) -> BadgePresented:
    return BadgePresented(
        printer="",
        origin=origin,
        badge=fields.text("badge", NAME_MAX),
        gateway=fields.text("gateway", NAME_MAX),
        reader=fields.optional_text("reader", NAME_MAX) or "",
        outcome=_badge_outcome(fields.optional_text("outcome", NAME_MAX)),
    )


def _badge_data(event: BadgePresented) -> dict[str, Any]:
    return {"badge": event.badge, "gateway": event.gateway, "reader": event.reader, "outcome": event.outcome}


def _badge_outcome(text: str | None) -> BadgeOutcome | Literal[""]:
    """A sender words its answer as it likes, and may name somebody in it: what is no known word counts as ``other``."""
    return next((one for one in get_args(BadgeOutcome) if one == text), "other") if text else ""


def _started(fields: Fields, origin: Origin) -> ReleaseStarted:
    return ReleaseStarted(
        printer=fields.text("printer", NAME_MAX),
        origin=origin,
        release=fields.text("release", NAME_MAX),
        job=fields.text("job", NAME_MAX),
        owner=fields.text("owner", NAME_MAX),
        gateway=fields.optional_text("gateway", NAME_MAX) or "",
        badge=fields.optional_text("badge", NAME_MAX) or "",
        queue=fields.optional_text("queue", NAME_MAX) or "",
        ticket=ticket_of(fields.optional_object("ticket")),
        was=fields.optional_text("was", NAME_MAX) or "",
    )


def _started_data(event: ReleaseStarted) -> dict[str, Any]:
    return {
        "release": event.release,
        "job": event.job,
        "owner": event.owner,
        "printer": event.printer,
        "gateway": event.gateway,
        "badge": event.badge,
        "queue": event.queue,
        "ticket": ticket_data(event.ticket),
        "was": event.was,
    }


def _ended(fields: Fields, origin: Origin) -> ReleaseEnded:
    return ReleaseEnded(
        printer="",
        origin=origin,
        release=fields.text("release", NAME_MAX),
        outcome=fields.choice("outcome", get_args(Outcome)),
        pages_sent=fields.optional_integer("pages_sent", 0, PAGES_MAX),
    )


def _ended_data(event: ReleaseEnded) -> dict[str, Any]:
    return {"release": event.release, "outcome": event.outcome, "pages_sent": event.pages_sent}


def _noted(fields: Fields, origin: Origin) -> PrinterNoted:
    return PrinterNoted(
        printer=fields.text("printer", NAME_MAX),
        origin=origin,
        note=fields.choice("note", get_args(Note)),
        text=fields.optional_text("text") or "",
    )


def _noted_data(event: PrinterNoted) -> dict[str, Any]:
    return {"printer": event.printer, "note": event.note, "text": event.text}


def _decided(fields: Fields, origin: Origin) -> Decided:
    action = fields.choice("action", get_args(Action))
    reason: Reason | Literal[""] = fields.optional_choice("reason", get_args(Reason)) or ""
    if action == "explain" and not reason:
        raise BadFact("data.reason", f"is missing; one of {', '.join(get_args(Reason))} explains a finding")
    return Decided(
        printer="",
        origin=origin,
        finding=fields.text("finding", NAME_MAX),
        action=action,
        by=fields.text("by", NAME_MAX),
        reason=reason,
        text=fields.optional_text("text") or "",
    )


def _decided_data(event: Decided) -> dict[str, Any]:
    return {
        "finding": event.finding,
        "action": event.action,
        "by": event.by,
        "reason": event.reason,
        "text": event.text,
    }


def ticket_of(fields: Fields | None) -> Ticket:
    """The ticket's members; each may be absent or null for *unknown*. Raises BadFact."""
    if fields is None:
        return Ticket()
    ticket = Ticket(
        pages=fields.optional_integer("pages", 0, PAGES_MAX),
        copies=fields.optional_integer("copies", 1, COPIES_MAX),
        sides=fields.optional_choice("sides", get_args(Sides)),
        number_up=fields.optional_integer("number_up", 1, NUMBER_UP_MAX),
        color_mode=fields.optional_choice("color_mode", get_args(ColorMode)),
        media=fields.optional_text("media", NAME_MAX),
        separator_sheets=fields.optional_integer("separator_sheets", 0, SEPARATORS_MAX),
        title=fields.optional_text("title"),
    )
    fields.finish()
    return ticket


def ticket_data(ticket: Ticket) -> dict[str, Any]:
    members = {
        "pages": ticket.pages,
        "copies": ticket.copies,
        "sides": ticket.sides,
        "number_up": ticket.number_up,
        "color_mode": ticket.color_mode,
        "media": ticket.media,
        "separator_sheets": ticket.separator_sheets,
        "title": ticket.title,
    }
    return {name: value for name, value in members.items() if value is not None}


EVENT_TYPES: Final = (
    EventType(BADGE_PRESENTED, "badge", BadgePresented, _badge, _badge_data, needed=("badge", "gateway"), checked=True),
    EventType(
        RELEASE_STARTED,
        "started",
        ReleaseStarted,
        _started,
        _started_data,
        needed=("printer", "release", "job", "owner"),
        checked=True,
    ),
    EventType(RELEASE_ENDED, "ended", ReleaseEnded, _ended, _ended_data, needed=("release",)),
    EventType(PRINTER_NOTED, "noted", PrinterNoted, _noted, _noted_data, needed=("printer",), stands=True),
    EventType(FINDING_DECIDED, "decided", Decided, _decided, _decided_data, ("finding", "by", "reason"), stands=True),
)
"""The one table of the types of events: names of counters, stored kinds and what is read follow from it."""

_BY_KIND: Final = {one.kind: one for one in EVENT_TYPES}
_BY_FACT: Final = {one.fact: one for one in EVENT_TYPES}
