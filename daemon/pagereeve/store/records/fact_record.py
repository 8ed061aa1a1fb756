"""A fact made ready for storing, and read back from its body."""

from __future__ import annotations

import hashlib
import json
from collections import OrderedDict
from dataclasses import dataclass, field, fields
from operator import attrgetter
from typing import Any, Final

from pydantic_core import from_json as quick_json

from pagereeve.domain.facts.claims import HEARD, claim_digest, claim_of
from pagereeve.domain.facts.codec import from_json, quick_fact, to_json
from pagereeve.domain.facts.events import EVENT_TYPES, FINDING_DECIDED, RELEASE_ENDED, type_of
from pagereeve.domain.facts.facts import (
    Event,
    Fact,
    PlateauRead,
    ReadFailed,
    ReleaseNotice,
    instant_us,
)
from pagereeve.domain.facts.people_codec import PEOPLE_CODECS
from pagereeve.domain.facts.reading import Count, Counter, Plateau, PrinterState, Sight
from pagereeve.domain.facts.reading_codec import TICKS_MAX, in_order
from pagereeve.domain.facts.redating import redated
from pagereeve.domain.values.codec import FIGURE_MAX
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.fields import TEXT_MAX
from pagereeve.store.records.encoding import encoder_for
from pagereeve.store.records.personal_spans import Spans, personal_spans

Identity = tuple[str, str]
ReleaseName = tuple[str, str]

ENDED: Final = RELEASE_ENDED
DECIDED: Final = FINDING_DECIDED
REDATED: Final = "redated"
ERASED: Final = "erased"
STANDING_KINDS: Final = (
    *("policy", "settle-learned", "registered", "bound", "entrance-policy"),
    *(one.kind for one in EVENT_TYPES if one.stands),
)
"""In force beyond their own time."""
PEOPLE_KINDS: Final = ("assigned", *PEOPLE_CODECS)
PEOPLE_CHANGING: Final = (*PEOPLE_KINDS, ERASED, REDATED)
"""From these on what is said of persons may be another: the last two change facts that stood already."""
READING_KINDS: Final = ("reading", "read-failed")
"""Made by the daemon itself, under no identity, and naming nobody."""
BADGE_KINDS: Final = ("badge-unreadable", "clock-changed", *(one.kind for one in EVENT_TYPES if one.checked))
"""What the badge checks look at."""

VOID_AT_US: Final = -(2**62)
"""What is void lies before everything: nothing that looks for the latest or goes on from an instant comes by it."""
FAR_US: Final = 7_258_118_400_000_000
"""The year 2200: an instant beyond it is looked at twice."""

SIGHTS_MAX: Final = 8_192
_READ_BACK: Final[OrderedDict[str, Sight]] = OrderedDict()
"""Of each printer the latest sight that surely reads back as it was written. Most runs that are stored show the very
same, or the same but for its figures and its state.
"""


def _all_but(made: type[Any], *names: str) -> attrgetter[Any]:
    """All of its attributes but these, whatever it has."""
    return attrgetter(*(one.name for one in fields(made) if one.name not in names))


_AROUND_COUNTS: Final = _all_but(Sight, "counts", "counters", "state")
_AROUND_COUNT: Final = _all_but(Count, "value")
_AROUND_COUNTER: Final = _all_but(Counter, "value")


@dataclass(slots=True)
class FactRecord:
    """What a fact's row holds besides its number. Never changed once it is made.

    ``identity`` (source, id) and ``digest`` (sha256 of the claim, hex) are None for what is no event: a Conflict
    names a source and an id too, but they are another event's. ``spans`` are noted for the seal; None where its body
    must be read for it. ``packed`` are body and digest as a database stores them that takes them packed; None where
    they are not made yet. ``origin`` is the number of the journal that it was first written in; of another one's facts
    ``openings`` are those with which they were sealed there.
    """

    fact: Fact
    kind: str
    at_us: int
    body: str
    identity: Identity | None = None
    digest: str | None = None
    release: str | None = None
    spans: Spans | None = None
    origin: int = 0
    openings: str | None = None
    packed: tuple[str | bytes, str | bytes | None] | None = field(default=None, compare=False)

    @property
    def printer(self) -> str:
        return self.fact.printer

    @property
    def release_key(self) -> ReleaseName | None:
        """Whose earlier notices matter to this one: of a start, and of an end that no printer is known for."""
        if self.identity is None or self.release is None or (self.kind == ENDED and self.printer):
            return None
        return (self.identity[0], self.release)


def file(fact: Fact) -> FactRecord:
    """Raises BadFact or BadCanonical where the stored body could not be read again as the same fact."""
    members = to_json(fact)
    encode = encoder_for(members)
    body = encode(members)
    if not surely_readable(fact, body) and not _reads_back(fact, body):
        raise BadFact(str(members["fact"]), "does not read back as it was written; channels must be sorted by name")
    if not isinstance(fact, Event):
        identity, digest = (fact.origin.key, claim_digest(fact)) if isinstance(fact, HEARD) else (None, None)
        kind = str(members["fact"])
        spans = personal_spans(members, kind, body, encode)
        return FactRecord(fact, kind, instant_us(fact), body, identity, digest, spans=spans)
    kind = str(members["type"])
    return FactRecord(
        fact=fact,
        kind=kind,
        at_us=instant_us(fact),
        body=body,
        identity=fact.origin.key,
        digest=hashlib.sha256(encode(claim_of(members)).encode()).hexdigest(),
        release=fact.release if isinstance(fact, ReleaseNotice) else None,
        spans=personal_spans(members, kind, body, encode),
    )


def _reads_back(fact: Fact, body: str) -> bool:
    if fact_of(body) != fact:
        return False
    if isinstance(fact, PlateauRead):
        _READ_BACK[fact.printer] = fact.plateau.sight
        if len(_READ_BACK) > SIGHTS_MAX:
            _READ_BACK.popitem(last=False)
    return True


def surely_readable(fact: Fact, body: str) -> bool:
    """Is it an event, as the feeds submit them, and plain in all that was added to it since; or a run of readings whose
    sight was read back before, perhaps with other figures or in another state? False may be either.

    Reading a body back costs more than writing it, and events come in thousands. Their data was read strictly
    (domain.facts.events); what the engine adds (source, id, printer, badge, instants) is looked at here.
    """
    if isinstance(fact, PlateauRead):
        # Under its printer, whose name was read back with it.
        known, shown = _READ_BACK.get(fact.printer), fact.plateau.sight
        if known is None or not _is_plain(fact.plateau):
            return False
        if known is not shown and not _differs_in_figures(known, shown):
            return False
        _READ_BACK[fact.printer] = shown
        return True
    if not isinstance(fact, Event) or len(body) > TEXT_MAX or "\\" in body:
        return False
    origin = fact.origin
    instants = (origin.at_us, origin.received_us, origin.occurred_us or 0)
    if not origin.source or not origin.id or min(instants) < 0 or max(instants) >= FAR_US:
        return False
    return all(getattr(fact, name) for name in type_of(fact).needed)


def _is_plain(plateau: Plateau) -> bool:
    """In all but its sight."""
    if in_order(plateau) is not None or plateau.first_sent_us < 0 or plateau.last_received_us >= FAR_US:
        return False
    ticks = (plateau.first_uptime_cs or 0, plateau.last_uptime_cs or 0)
    power_ons = (plateau.first_power_on or 0, plateau.last_power_on or 0)
    return plateau.count > 0 and min(ticks) >= 0 and max(ticks) <= TICKS_MAX and min(power_ons) >= 0


def _differs_in_figures(known: Sight, shown: Sight) -> bool:
    """In these and its state alone, and each is one that can be read."""
    if (
        type(shown.state) is not PrinterState
        or len(known.counts) != len(shown.counts)
        or len(known.counters) != len(shown.counters)
    ):
        return False
    if _AROUND_COUNTS(known) != _AROUND_COUNTS(shown):
        return False
    for (name, before), (channel, count) in zip(known.counts, shown.counts, strict=True):
        if name != channel or _AROUND_COUNT(before) != _AROUND_COUNT(count) or not _is_figure(count.value):
            return False
    return all(
        _AROUND_COUNTER(before) == _AROUND_COUNTER(counter) and _is_figure(counter.value)
        for before, counter in zip(known.counters, shown.counters, strict=True)
    )


def _is_figure(value: int) -> bool:
    return type(value) is int and 0 <= value <= FIGURE_MAX


def open_body(current: PlateauRead | ReadFailed) -> str:
    """The body of an open run. Raises as ``file`` does."""
    return file(current).body


def fact_of(body: str, shift_us: int = 0) -> Fact:
    """The inverse of a filing's body; with what our clock dated moved by ``shift_us``."""
    fact = _quickly(body) or from_json(json.loads(body))
    return redated(fact, shift_us) if shift_us else fact


def _quickly(body: str) -> Fact | None:
    """Nearly every body is as ``file`` wrote it; what is wrong with another is said by the careful way."""
    try:
        return quick_fact(quick_json(body))
    except ValueError:
        return None


def run_of(body: str) -> PlateauRead | ReadFailed:
    """The inverse of ``open_body``. Raises BadFact where the body is another kind of fact."""
    fact = fact_of(body)
    if isinstance(fact, PlateauRead | ReadFailed):
        return fact
    raise BadFact("fact", "an open run must be a reading or a failed read")
