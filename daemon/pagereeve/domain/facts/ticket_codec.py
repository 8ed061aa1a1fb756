"""A ticket as JSON, both ways. A member that is absent is not said, and one that is null is said to be unknown."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final, get_args

from pagereeve.domain.facts.ticket import (
    COPIES_MAX,
    COSTING,
    NOTHING_KNOWN,
    NUMBER_UP_MAX,
    PAGES_MAX,
    SEPARATORS_MAX,
    ColorMode,
    Sides,
    Ticket,
)
from pagereeve.domain.values.codec import TEXT, Codec, Kind, Member, choice, integer, text
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.fields import Fields

MEDIA_MAX: Final = 200

_SAID: Final = Codec(
    Ticket,
    Member("pages", integer(0, PAGES_MAX), default=None),
    Member("copies", integer(1, COPIES_MAX), default=None),
    Member("sides", choice(get_args(Sides)), default=None),
    Member("number_up", integer(1, NUMBER_UP_MAX), default=None),
    Member("color_mode", choice(get_args(ColorMode)), default=None),
    Member("media", text(MEDIA_MAX), default=None),
    Member("separator_sheets", integer(0, SEPARATORS_MAX), default=None),
    Member("title", TEXT, default=None),
    outside=("unknown",),
)


def ticket_json(ticket: Ticket) -> dict[str, Any]:
    return {**_SAID.write(ticket), **dict.fromkeys(ticket.unknown)}


def ticket_of(fields: Fields) -> Ticket:
    """Raises BadFact, or where ``fields`` collects faults, leaves out what is bad: it is unknown then."""
    given = fields.names()
    ticket = _SAID.read(fields, unknown=())
    unknown = tuple(name for name in COSTING if name in given and getattr(ticket, name) is None)
    return replace(ticket, unknown=unknown) if unknown else ticket


def _take(fields: Fields, name: str) -> Ticket | None:
    if name not in fields.names():
        return None
    try:
        inner = fields.optional_object(name)
    except BadFact as error:
        if fields.faults is None:
            raise
        fields.faults.drop(error)
        return NOTHING_KNOWN
    return NOTHING_KNOWN if inner is None else ticket_of(inner)


def _quick(members: Any) -> Ticket:
    """Of a ticket that says nothing to be unknown. Raises as ``Kind.quick`` does."""
    return _SAID.quick(members, unknown=())


TICKET: Final[Kind[Ticket]] = Kind(
    lambda fields, name: ticket_of(fields.object(name)), _take, ticket_json, _SAID.shape, _quick
)
