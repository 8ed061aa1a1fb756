"""A fact as one JSON object, both ways: the journal's bodies, the NDJSON that travels, the canonical bytes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields as dataclass_fields
from dataclasses import replace
from typing import Any, Final, get_args

from pagereeve.domain.facts.closed import FactsArchived, PeriodClosed
from pagereeve.domain.facts.erased import Erased
from pagereeve.domain.facts.events import data_of, event_of, quick_event
from pagereeve.domain.facts.facts import (
    UNIT_RELEASES_MAX,
    AnswerReading,
    AnswerRest,
    Assigned,
    BadgePolicySet,
    BadgePresented,
    BadgeUnreadable,
    Bound,
    ChoiceReason,
    ClockChange,
    ClockChanged,
    ClockMark,
    Conflict,
    CounterChosen,
    Event,
    Fact,
    FactDamaged,
    GatewayChecked,
    GatewayState,
    Loss,
    LossAccepted,
    Origin,
    PlateauRead,
    PolicySet,
    ReadFailed,
    ReceiverChange,
    ReceiverChanged,
    Redated,
    Registered,
    ReleaseAnswered,
    SettleLearned,
    ShownBy,
    SiteChecked,
    SiteStanding,
    UnitLearned,
)
from pagereeve.domain.facts.job_codec import JOB_COUNTED
from pagereeve.domain.facts.names_shown import NamesShown
from pagereeve.domain.facts.people_codec import PEOPLE_CODECS
from pagereeve.domain.facts.policy import (
    LARGE_WEIGHT_MAX,
    NEEDED_DEFAULT,
    TICKET_DEFAULTS_MAX,
    BadgePolicy,
    BlankBacks,
    Charging,
    Copies,
    NumberUp,
    Policy,
    SidesMade,
    TicketDefault,
)
from pagereeve.domain.facts.reading import Unit, UnitGrade
from pagereeve.domain.facts.reading_codec import CHANNELS_MAX, PLATEAU, SILENCE
from pagereeve.domain.facts.ticket_codec import TICKET
from pagereeve.domain.values.canonical import canonical
from pagereeve.domain.values.codec import (
    FIGURE,
    FIGURE_MAX,
    INSTANT,
    TEXT,
    TRUTH,
    Codec,
    Kind,
    Member,
    NotPlain,
    Spread,
    choice,
    inner,
    integer,
    listed,
    parsed,
    quick_of,
)
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.faults import Faults
from pagereeve.domain.values.fields import Fields
from pagereeve.domain.values.shapes import ListShape, MemberShape, ObjectShape, Shape, WholeShape, WordShape


def _rules_json(policy: Policy | BadgePolicy) -> dict[str, Any]:
    """Names are those of the fields, durations microseconds."""
    members = {field.name: getattr(policy, field.name) for field in dataclass_fields(policy)}
    if isinstance(policy, Policy):
        del members["tickets"]
        if policy.charging_needs is NEEDED_DEFAULT:
            # Written before there was a choice, a policy has the same bytes.
            del members["charging_needs"]
        if policy.panel_unit is None:
            del members["panel_unit"]
        if policy.tickets:
            members["tickets"] = [_TICKET_DEFAULT.write(one) for one in policy.tickets]
    return members


_TICKET_DEFAULT: Final = Codec(TicketDefault, Member("source", TEXT, default=""), Member("ticket", TICKET))
_TICKET_DEFAULTS: Final = listed(inner(_TICKET_DEFAULT), TICKET_DEFAULTS_MAX)


_POLICY_CHOICES: Final[dict[str, tuple[str, ...]]] = {
    "charging": get_args(Charging),
    "charging_needs": tuple(UnitGrade),
    "panel_unit": tuple(Unit),
    "blank_backs": get_args(BlankBacks),
    "copies": get_args(Copies),
    "number_up": get_args(NumberUp),
    "sides": get_args(SidesMade),
}
# None is *unknown* here.
_POLICY_OPEN: Final = {"separator_sheets": 2, "large_media_weight": LARGE_WEIGHT_MAX, "start_up_pages": FIGURE_MAX}


def _policy_of(fields: Fields) -> Policy:
    """A policy whose unnamed rules keep their defaults. Raises BadFact."""
    changes: dict[str, Any] = {}
    for name in fields.names():
        if name in _POLICY_CHOICES:
            changes[name] = fields.choice(name, _POLICY_CHOICES[name])
        elif name in _POLICY_OPEN:
            changes[name] = fields.optional_integer(name, 0, _POLICY_OPEN[name])
        elif name == "tickets":
            changes[name] = _TICKET_DEFAULTS.need(fields, name)
        elif name in Policy.__dataclass_fields__:
            changes[name] = fields.integer(name, 0, FIGURE_MAX)
    fields.finish()
    return Policy(**changes)


def _badge_policy_of(fields: Fields) -> BadgePolicy:
    """As _policy_of. Raises BadFact."""
    known = [name for name in fields.names() if name in BadgePolicy.__dataclass_fields__]
    policy = BadgePolicy(**{name: fields.integer(name, 0, FIGURE_MAX) for name in known})
    fields.finish()
    return policy


def _policy_shape() -> ObjectShape:
    return ObjectShape(Policy, tuple(_rule_shape(name) for name in Policy.__dataclass_fields__))


def _rule_shape(name: str) -> MemberShape:
    shape: Shape = WholeShape(0, _POLICY_OPEN.get(name, FIGURE_MAX))
    if name in _POLICY_CHOICES:
        shape = WordShape(tuple(map(str, _POLICY_CHOICES[name])))
    elif name == "tickets":
        shape = ListShape(_TICKET_DEFAULT.shape(), TICKET_DEFAULTS_MAX)
    return MemberShape(name, shape, needed=False, null=name in _POLICY_OPEN)


def _badge_policy_shape() -> ObjectShape:
    figure = WholeShape(0, FIGURE_MAX)
    names = BadgePolicy.__dataclass_fields__
    return ObjectShape(BadgePolicy, tuple(MemberShape(name, figure, needed=False, null=False) for name in names))


_RULES: Final[Kind[Policy]] = parsed(_policy_of, _rules_json, _policy_shape)
_BADGE_RULES: Final[Kind[BadgePolicy]] = parsed(_badge_policy_of, _rules_json, _badge_policy_shape)

# Members of facts are left out where they say nothing.
_PRINTER: Final = Member("printer", TEXT)
_ANY_PRINTER: Final = Member("printer", TEXT, default="")
_AT: Final = Member("at_us", INSTANT, "at")
_quick_text: Final = quick_of(TEXT)
# A fact of the site concerns no printer: "" as its class says.
_OF_SITE: Final = ("printer",)

_ORIGIN: Final = Codec(
    Origin,
    Member("source", TEXT),
    Member("id", TEXT),
    Member("at_us", INSTANT, "at"),
    Member("received_us", INSTANT, "received"),
    Member("occurred_us", INSTANT, "occurred", default=None),
    Member("clock", choice(get_args(ClockMark)), default=""),
)
_SHOWN_BY: Final = Codec(ShownBy, Member("source", TEXT), Member("release", TEXT))
_UNIT_LEARNED: Final = Codec(
    UnitLearned,
    Member("channel", TEXT),
    Member("object", TEXT, default=""),
    Member("unit", choice(Unit, str)),
    Member("releases", listed(inner(_SHOWN_BY), UNIT_RELEASES_MAX), default=()),
)
_COUNTER_CHOSEN: Final = Codec(
    CounterChosen, Member("channel", TEXT), Member("object", TEXT), Member("reason", choice(get_args(ChoiceReason)))
)
_CODECS: Final[dict[str, Codec[Any]]] = {
    "reading": Codec(PlateauRead, _PRINTER, Spread("plateau", PLATEAU)),
    "read-failed": Codec(ReadFailed, _PRINTER, Spread("silence", SILENCE)),
    "job-counted": JOB_COUNTED,
    "policy": Codec(PolicySet, _PRINTER, _AT, Member("policy", _RULES)),
    "settle-learned": Codec(
        SettleLearned,
        _PRINTER,
        _AT,
        Member("settle_us", FIGURE),
        Member("state_believed", TRUTH, default=True),
        Member("units", listed(inner(_UNIT_LEARNED), CHANNELS_MAX), default=()),
        Member("chosen", listed(inner(_COUNTER_CHOSEN), CHANNELS_MAX), default=()),
    ),
    "release-answered": Codec(
        ReleaseAnswered,
        _PRINTER,
        _AT,
        Member("source", TEXT),
        Member("id", TEXT),
        Member("started_us", INSTANT, "started"),
        Member("reading", choice(get_args(AnswerReading))),
        Member("rest", choice(get_args(AnswerRest)), default=""),
    ),
    "assigned": Codec(Assigned, _AT, Member("owner", TEXT), Member("cost_centre", TEXT), outside=_OF_SITE),
    "registered": Codec(Registered, _AT, Member("name", TEXT), Member("gateway", TEXT, default=""), outside=_OF_SITE),
    "bound": Codec(
        Bound,
        _AT,
        Member("badge", TEXT),
        Member("owner", TEXT),
        Member("known_us", INSTANT, "known"),
        Member("until_us", INSTANT, "until", default=None),
        outside=_OF_SITE,
    ),
    "entrance-policy": Codec(BadgePolicySet, _AT, Member("policy", _BADGE_RULES), outside=_OF_SITE),
    "badge-unreadable": Codec(
        BadgeUnreadable,
        Spread("origin", _ORIGIN),
        Member("gateway", TEXT),
        Member("reason", TEXT),
        Member("reader", TEXT, default=""),
        outside=_OF_SITE,
    ),
    "clock-changed": Codec(
        ClockChanged,
        Spread("origin", _ORIGIN),
        Member("boot", TEXT),
        Member("change", choice(get_args(ClockChange))),
        Member("monotonic_us", FIGURE),
        Member("before_us", INSTANT, "before"),
        Member("wall_us", INSTANT, "wall"),
        Member("daemon", TEXT, default=""),
        outside=_OF_SITE,
    ),
    "redated": Codec(
        Redated,
        _ANY_PRINTER,
        _AT,
        Member("from_us", INSTANT, "from"),
        Member("until_us", INSTANT, "until"),
        Member("by_us", integer(-FIGURE_MAX, FIGURE_MAX), default=None),
        Member("by", TEXT),
        Member("reason", TEXT),
    ),
    "erased": Codec(
        Erased,
        _AT,
        Member("name", TEXT),
        Member("by", TEXT),
        Member("facts", FIGURE),
        Member("digest", TEXT),
        outside=_OF_SITE,
    ),
    "period-closed": Codec(
        PeriodClosed,
        _AT,
        Member("name", TEXT),
        Member("zone", TEXT),
        Member("database", TEXT),
        Member("from_us", INSTANT, "from"),
        Member("to_us", INSTANT, "to"),
        Member("by", TEXT),
        Member("reason", TEXT, default=""),
        Member("journal", TEXT),
        Member("size", FIGURE),
        Member("head", TEXT),
        Member("version", FIGURE),
        Member("rows", FIGURE),
        Member("sha256", TEXT),
        outside=_OF_SITE,
    ),
    "facts-archived": Codec(
        FactsArchived,
        _AT,
        Member("period", TEXT),
        Member("from_us", INSTANT, "from"),
        Member("to_us", INSTANT, "to"),
        Member("by", TEXT),
        Member("file", TEXT),
        Member("size_bytes", FIGURE),
        Member("sha256", TEXT),
        Member("facts", FIGURE),
        outside=_OF_SITE,
    ),
    "names-shown": Codec(NamesShown, _AT, Member("by", TEXT), Member("until_us", INSTANT, "until"), outside=_OF_SITE),
    **PEOPLE_CODECS,
    "conflict": Codec(
        Conflict,
        _ANY_PRINTER,
        Spread("origin", _ORIGIN),
        Member("kind", TEXT, "type"),
        Member("digest", TEXT),
    ),
    "damaged": Codec(FactDamaged, _ANY_PRINTER, _AT, Member("number", FIGURE), Member("kind", TEXT)),
    "loss-accepted": Codec(
        LossAccepted,
        Spread("origin", _ORIGIN),
        Member("loss", choice(get_args(Loss))),
        Member("acknowledged", FIGURE),
        Member("stored", FIGURE),
        outside=_OF_SITE,
    ),
    "receiver-changed": Codec(
        ReceiverChanged,
        Spread("origin", _ORIGIN),
        Member("receiver", TEXT),
        Member("change", choice(get_args(ReceiverChange))),
        Member("target", TEXT, default=""),
        outside=_OF_SITE,
    ),
    "gateway-checked": Codec(
        GatewayChecked,
        Spread("origin", _ORIGIN),
        Member("gateway", TEXT),
        Member("state", choice(get_args(GatewayState))),
        Member("check", TEXT),
        Member("why", TEXT, default=""),
        outside=_OF_SITE,
    ),
    "site-checked": Codec(
        SiteChecked,
        Spread("origin", _ORIGIN),
        Member("site", TEXT),
        Member("state", choice(get_args(SiteStanding))),
        Member("known_us", INSTANT, "known", default=0),
        Member("place", FIGURE),
        Member("why", TEXT, default=""),
        outside=_OF_SITE,
    ),
}
"""By what ``fact`` says, all but events: their codecs are in EVENT_TYPES."""
_KIND_OF: Final = {codec.made: kind for kind, codec in _CODECS.items()}
FACT_SHAPES: Final[dict[str, Callable[[], ObjectShape]]] = {kind: codec.shape for kind, codec in _CODECS.items()}
ORIGIN_SHAPE: Final = _ORIGIN.shape
EVENT: Final = "event"


def to_json(fact: Fact) -> dict[str, Any]:
    """The fact as a JSON object; ``fact`` names its kind."""
    if isinstance(fact, Event):
        return _event_json(fact)
    kind = _KIND_OF[type(fact)]
    return {"fact": kind, **_CODECS[kind].write(fact)}


def from_json(members: Any, faults: Faults | None = None) -> Fact:
    """The inverse of to_json. Raises BadFact, which names the member that is wrong; ``faults`` as in event_of."""
    fields = Fields(members, "")
    kind = fields.text("fact")
    if kind == EVENT:
        return _event(fields, faults)
    codec = _CODECS.get(kind)
    if codec is None:
        known = ", ".join(sorted([*_CODECS, EVENT]))
        raise BadFact("fact", f"{kind[:40]!r} is not known; known are {known}")
    fact: Fact = codec.read(fields)
    return fact


def quick_fact(members: Any) -> Fact | None:
    """As ``from_json``, of what ``to_json`` wrote; None for all that is not surely that, right or wrong.

    The members are used up: whoever reads them carefully after it does so anew.
    """
    try:
        kind = members.pop("fact")
        fact: Fact = _quick_event(members) if kind == EVENT else _CODECS[kind].quick(members)
    except (NotPlain, AttributeError, LookupError, TypeError, ValueError):
        return None
    return fact


def fact_bytes(fact: Fact) -> bytes:
    """The canonical bytes of a fact (RFC 8785)."""
    return canonical(to_json(fact))


def _event_json(event: Event) -> dict[str, Any]:
    """Around its ``data``: what the sender's envelope said, and what was found out about it."""
    kind, data = data_of(event)
    members = {"fact": EVENT, "type": kind, "data": data, **_ORIGIN.write(event.origin)}
    if event.printer:
        members["printer"] = event.printer
    if isinstance(event, BadgePresented) and event.resembles:
        members["resembles"] = event.resembles
    return members


def _quick_event(left: dict[str, Any]) -> Event:
    printer, resembles = left.pop("printer", ""), left.pop("resembles", None)
    kind, data = left.pop("type"), left.pop("data")
    event = quick_event(kind, _ORIGIN.quick(left), data)
    if resembles is not None:
        raise NotPlain
    if printer != event.printer:
        event = replace(event, printer=_quick_text(printer))
    return event


def _event(fields: Fields, faults: Faults | None) -> Event:
    printer = fields.optional_text("printer") or ""
    event = event_of(fields.text("type"), _ORIGIN.take(fields), fields.members("data"), faults)
    if isinstance(event, BadgePresented):
        event = replace(event, resembles=fields.optional_text("resembles") or "")
    fields.finish()
    return replace(event, printer=printer)
