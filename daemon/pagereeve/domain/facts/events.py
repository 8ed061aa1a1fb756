"""The ``data`` of the event types, read strictly: from an envelope's JSON to a fact (DESIGN.md 3.1)."""

from __future__ import annotations

from collections.abc import Callable
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


def event_of(event_type: str, origin: Origin, data: Any) -> Event:
    """The fact that ``data`` of ``event_type`` states. Raises BadFact, which names the member."""
    reader = _READERS.get(event_type)
    if reader is None:
        raise BadFact("type", f"{event_type[:80]!r} is not known; known are {', '.join(sorted(_READERS))}")
    fields = Fields(data, "data")
    event = reader(fields, origin)
    fields.finish()
    return event


def data_of(event: Event) -> tuple[str, dict[str, Any]]:
    """The inverse: an event's type and its ``data``, without what is unknown."""
    data: dict[str, Any]
    match event:
        case BadgePresented():
            kind = BADGE_PRESENTED
            data = {
                "badge": event.badge,
                "gateway": event.gateway,
                "reader": event.reader,
                "outcome": event.outcome,
            }
        case ReleaseStarted():
            kind = RELEASE_STARTED
            data = {
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
        case ReleaseEnded():
            kind = RELEASE_ENDED
            data = {"release": event.release, "outcome": event.outcome, "pages_sent": event.pages_sent}
        case PrinterNoted():
            kind = PRINTER_NOTED
            data = {"printer": event.printer, "note": event.note, "text": event.text}
        case Decided():
            kind = FINDING_DECIDED
            data = {
                "finding": event.finding,
                "action": event.action,
                "by": event.by,
                "reason": event.reason,
                "text": event.text,
            }
    return kind, {name: value for name, value in data.items() if value not in ("", None, {})}


def _badge(fields: Fields, origin: Origin) -> BadgePresented:
    return BadgePresented(
        printer="",
        origin=origin,
        badge=fields.text("badge", NAME_MAX),
        gateway=fields.text("gateway", NAME_MAX),
        reader=fields.optional_text("reader", NAME_MAX) or "",
        outcome=_badge_outcome(fields.optional_text("outcome", NAME_MAX)),
    )


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


def _ended(fields: Fields, origin: Origin) -> ReleaseEnded:
    return ReleaseEnded(
        printer="",
        origin=origin,
        release=fields.text("release", NAME_MAX),
        outcome=fields.choice("outcome", get_args(Outcome)),
        pages_sent=fields.optional_integer("pages_sent", 0, PAGES_MAX),
    )


def _noted(fields: Fields, origin: Origin) -> PrinterNoted:
    return PrinterNoted(
        printer=fields.text("printer", NAME_MAX),
        origin=origin,
        note=fields.choice("note", get_args(Note)),
        text=fields.optional_text("text") or "",
    )


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


_READERS: Final[dict[str, Callable[[Fields, Origin], Event]]] = {
    BADGE_PRESENTED: _badge,
    RELEASE_STARTED: _started,
    RELEASE_ENDED: _ended,
    PRINTER_NOTED: _noted,
    FINDING_DECIDED: _decided,
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
