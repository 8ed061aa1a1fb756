"""The ``data`` of the event types, read strictly: from an envelope's JSON to a fact, and back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, get_args

from pagereeve.domain.credentials.callers import Act
from pagereeve.domain.facts.facts import (
    Action,
    BadgeOutcome,
    BadgePresented,
    Decided,
    Event,
    Note,
    Origin,
    Outcome,
    PagesDecided,
    PrinterNoted,
    ReadingNoted,
    Reason,
    ReleaseEnded,
    ReleaseStarted,
)
from pagereeve.domain.facts.jobs import JOB_MAX
from pagereeve.domain.facts.noted_reading import NOTED_READING
from pagereeve.domain.facts.page_decision_codec import PAGE_DECISION
from pagereeve.domain.facts.ticket import PAGES_MAX, Ticket
from pagereeve.domain.facts.ticket_codec import TICKET
from pagereeve.domain.values.codec import TEXT, Codec, Kind, Member, Spread, choice, integer, quick_of, text
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.faults import Faults, errors_of, joined
from pagereeve.domain.values.fields import Fields
from pagereeve.domain.values.shapes import TextShape

BADGE_PRESENTED: Final = "pagereeve.badge.presented.v1"
RELEASE_STARTED: Final = "pagereeve.release.started.v1"
RELEASE_ENDED: Final = "pagereeve.release.ended.v1"
PRINTER_NOTED: Final = "pagereeve.printer.noted.v1"
READING_NOTED: Final = "pagereeve.reading.noted.v1"
FINDING_DECIDED: Final = "pagereeve.finding.decided.v1"
PAGES_DECIDED: Final = "pagereeve.pages.decided.v1"

AUTHOR: Final = "by"
"""The member that names who said it, where a type has one; a sender does not write it, its credential does."""

NAME_MAX = 200


@dataclass(frozen=True, slots=True)
class EventType:
    """All that other rooms need to know of a type of event; a new one is one more row of EVENT_TYPES.

    kind      the CloudEvents ``type``, and the kind under which the journal stores it
    counter   its short name in counters and metrics
    data      between the fact and the members of ``data``; what is unknown is left out
    needed    texts of the fact; where one is empty, a stored body is read back before anybody relies on it
    act       what a sender must be allowed to do
    authored  does it have the member AUTHOR?
    stands    is it in force beyond its own time, as a decision is? (then it is in the condition of ix_fact_few)
    checked   do the badge checks look at it? (then it is in the condition of ix_fact_entrance)
    """

    kind: str
    counter: str
    data: Codec[Any]
    needed: tuple[str, ...]
    act: Act
    authored: bool = False
    stands: bool = False
    checked: bool = False


def event_of(event_type: str, origin: Origin, data: Any, faults: Faults | None = None) -> Event:
    """The fact that ``data`` of ``event_type`` states. Raises BadFact, which names the member.

    With ``faults`` what is wrong with an optional member, or is no member at all, is noted there, and costs itself
    alone.
    """
    known = _BY_KIND.get(event_type)
    if known is None:
        raise BadFact("type", f"{event_type[:80]!r} is not known; known are {', '.join(sorted(_BY_KIND))}")
    try:
        event: Event = known.data.read(Fields(data, "data", faults), printer="", origin=origin)
    except BadFact as error:
        if faults is None:
            raise
        raise joined([*errors_of(error), *faults.dropped, *faults.strange]) from error
    return event


def quick_event(event_type: str, origin: Origin, data: Any) -> Event:
    """As ``event_of``, of plain data. Raises as ``values.codec.Kind.quick`` does."""
    event: Event = _BY_KIND[event_type].data.quick(data, printer="", origin=origin)
    return event


def type_of(event: Event) -> EventType:
    return _BY_FACT[type(event)]


def type_named(kind: str) -> EventType | None:
    return _BY_KIND.get(kind)


def data_of(event: Event) -> tuple[str, dict[str, Any]]:
    """The inverse of ``event_of``: an event's type and its ``data``, without what is unknown."""
    known = type_of(event)
    return known.kind, known.data.write(event)


def _is_reasoned(decided: Decided) -> tuple[str, str] | None:
    if decided.action == "book" and not decided.at:
        return "at", "is missing; it names the printer at which the releases are booked"
    if decided.action == "explain" and not decided.reason:
        return "reason", f"is missing; one of {', '.join(get_args(Reason))} explains a finding"
    return None


def _has_its_printer(decided: PagesDecided) -> tuple[str, str] | None:
    if decided.said.closes_us is not None and not decided.printer:
        return "printer", "is missing; it names the printer of the gap"
    return None


def _names_its_printer(noted: ReadingNoted) -> tuple[str, str] | None:
    if not noted.said.voids and not noted.printer:
        return "printer", "is missing; it names the printer whose panel showed the figure"
    return None


def _answer(fields: Fields, name: str) -> BadgeOutcome | None:
    """A sender words its answer as it likes, and may name somebody in it: what is no known word counts as ``other``."""
    said = fields.optional_text(name, NAME_MAX)
    return _outcome_of(said) if said else None


def _outcome_of(said: str) -> BadgeOutcome:
    return next((one for one in get_args(BadgeOutcome) if one == said), "other")


_NAME: Final = text(NAME_MAX)
_ANSWER: Final = Kind(
    *(_answer, _answer),
    shape=lambda: TextShape(NAME_MAX, get_args(BadgeOutcome)),
    quick=lambda value: _outcome_of(quick_of(_NAME)(value)),
)

_BADGE: Final = Codec(
    BadgePresented,
    Member("badge", _NAME),
    Member("gateway", _NAME),
    Member("reader", _NAME, default=""),
    Member("outcome", _ANSWER, default=""),
    outside=("printer", "origin", "resembles"),
)
_STARTED: Final = Codec(
    ReleaseStarted,
    Member("printer", _NAME),
    Member("release", _NAME),
    Member("job", _NAME),
    Member("owner", _NAME),
    Member("gateway", _NAME, default=""),
    Member("badge", _NAME, default=""),
    Member("queue", _NAME, default=""),
    Member("ticket", TICKET, default=Ticket()),
    Member("was", _NAME, default=""),
    Member("replaces", _NAME, default=""),
    Member("printer_job", integer(1, JOB_MAX), default=None),
    outside=("origin",),
)
_ENDED: Final = Codec(
    ReleaseEnded,
    Member("release", _NAME),
    Member("outcome", choice(get_args(Outcome))),
    Member("pages_sent", integer(0, PAGES_MAX), default=None),
    outside=("printer", "origin"),
)
_NOTED: Final = Codec(
    PrinterNoted,
    Member("printer", _NAME),
    Member("note", choice(get_args(Note))),
    Member("text", TEXT, default=""),
    Member("by", _NAME, default=""),
    outside=("origin",),
)
_DECIDED: Final = Codec(
    Decided,
    Member("finding", _NAME),
    Member("action", choice(get_args(Action))),
    Member("by", _NAME),
    Member("reason", choice(get_args(Reason)), default=""),
    Member("text", TEXT, default=""),
    Member("at", _NAME, default=""),
    outside=("printer", "origin"),
    check=_is_reasoned,
)

_PAGES_DECIDED: Final = Codec(
    PagesDecided,
    Member("printer", _NAME, default=""),
    Member("by", _NAME),
    Spread("said", PAGE_DECISION),
    outside=("origin",),
    check=_has_its_printer,
)

_READING_NOTED: Final = Codec(
    ReadingNoted,
    Member("printer", _NAME, default=""),
    Member("by", _NAME),
    Spread("said", NOTED_READING),
    outside=("origin",),
    check=_names_its_printer,
)

EVENT_TYPES: Final = (
    EventType(BADGE_PRESENTED, "badge", _BADGE, needed=("badge", "gateway"), act="send", checked=True),
    EventType(
        RELEASE_STARTED, "started", _STARTED, needed=("printer", "release", "job", "owner"), act="send", checked=True
    ),
    EventType(RELEASE_ENDED, "ended", _ENDED, needed=("release",), act="send"),
    EventType(PRINTER_NOTED, "noted", _NOTED, needed=("printer",), act="note", authored=True, stands=True),
    EventType(READING_NOTED, "reading-noted", _READING_NOTED, needed=("by",), act="note", authored=True),
    EventType(
        *(FINDING_DECIDED, "decided", _DECIDED),
        needed=("finding", "by", "reason"),
        act="decide",
        authored=True,
        stands=True,
    ),
    EventType(PAGES_DECIDED, "pages-decided", _PAGES_DECIDED, needed=("by",), act="decide", authored=True),
)
"""The one table of the types of events: names of counters, stored kinds and what is read follow from it."""

_BY_KIND: Final = {one.kind: one for one in EVENT_TYPES}
_BY_FACT: Final[dict[type[Event], EventType]] = {one.data.made: one for one in EVENT_TYPES}
