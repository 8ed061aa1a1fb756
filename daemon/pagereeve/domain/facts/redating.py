"""What a fact says once its dates were wrong: all that our own clock dated is moved, what a source claimed is not."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

from pagereeve.domain.facts.closed import FactsArchived, PeriodClosed
from pagereeve.domain.facts.codec import fact_bytes
from pagereeve.domain.facts.erased import Erased
from pagereeve.domain.facts.facts import (
    BadgePolicySet,
    BadgePresented,
    BadgeUnreadable,
    Bound,
    ClockChanged,
    ClockMark,
    Conflict,
    Decided,
    Fact,
    GatewayChecked,
    LossAccepted,
    Origin,
    PagesDecided,
    PlateauRead,
    PolicySet,
    PrinterNoted,
    ReadFailed,
    ReadingNoted,
    ReceiverChanged,
    Redated,
    Registered,
    ReleaseAnswered,
    ReleaseEnded,
    ReleaseStarted,
    SettleLearned,
    SiteChecked,
    instant_us,
)
from pagereeve.domain.facts.jobs import JobCounted, Within
from pagereeve.domain.facts.names_shown import NamesShown
from pagereeve.domain.facts.people import MergeUndone, PeopleMerged, PersonNamed
from pagereeve.domain.facts.reading import Plateau, Silence
from pagereeve.domain.facts.source_clock import FUTURE_MAX_US, PAST_MAX_US, PLAUSIBLE_FROM_US
from pagereeve.domain.values.instants import SECOND_US

NOT_AGREED: Final[ClockMark] = "not-agreed"
"""The mark of an event that came while our own clock was not agreed: its arrival counts, until that is dated."""

REACH_US: Final = 2 * 86_400 * SECOND_US
"""So far from when it was received an event may count, and be moved with a span all the same; and so far back rows of
the ledger are projected anew. An event that came later than that keeps the time that its source claimed in any case.
"""

# A union written in place would be built again at each call.
_RECEIVED: Final = (
    *(BadgePresented, ReleaseStarted, ReleaseEnded, PrinterNoted, ReadingNoted, Decided, PagesDecided),
    *(BadgeUnreadable, ClockChanged, Conflict, LossAccepted, ReceiverChanged, GatewayChecked, SiteChecked),
)
_SAID: Final = (
    *(PolicySet, SettleLearned, ReleaseAnswered, Registered, BadgePolicySet, Erased, PeriodClosed),
    *(PeopleMerged, MergeUndone, NamesShown, FactsArchived),
)
# They have a date of their own, and one on which our clock heard of them.
_KNOWN: Final = (Bound, PersonNamed)
_READ: Final = (PlateauRead, ReadFailed)
_SHOWN: Final = (*_READ, JobCounted)


@dataclass(frozen=True, slots=True)
class Span:
    """From ``from_us`` on, and before ``until_us``."""

    from_us: int
    until_us: int

    def holds(self, at_us: int) -> bool:
        return self.from_us <= at_us < self.until_us


def dated_us(fact: Fact) -> int | None:
    """The instant that our own clock gave a fact, which says whether a span holds it; None where it gave none."""
    if isinstance(fact, PlateauRead):
        return fact.plateau.first_sent_us
    if isinstance(fact, ReadFailed):
        return fact.silence.first_sent_us
    if isinstance(fact, JobCounted):
        return fact.sent_us
    if isinstance(fact, _RECEIVED):
        return fact.origin.received_us
    if isinstance(fact, _SAID):
        return fact.at_us
    return fact.known_us if isinstance(fact, _KNOWN) else None


def concerned(fact: Fact, by: Redated) -> bool:
    """Whether it moves a fact of its timeline, dated as it is without it, or makes it void."""
    at_us = dated_us(fact)
    if at_us is None or not Span(by.from_us, by.until_us).holds(at_us):
        return False
    near = by.from_us - REACH_US <= instant_us(fact) < by.until_us + REACH_US
    return near and (by.by_us is not None or is_read(fact))


def in_force(said: Iterable[tuple[int | None, Fact]]) -> list[Fact]:
    """A timeline's facts as they count: each with its number there, and dated as it was when it was stored.

    A Redated concerns the facts whose numbers are below its own, and several do so in order of their numbers: that is
    a function of the set, whatever order these come in. Without a number a fact is concerned by all, and a Redated
    comes last, several of them in order of when they were said. What is there twice counts once.
    """
    numbered = dict.fromkeys(said)
    # A fact that is there with its number is none without.
    with_number = {fact for number, fact in numbered if number is not None}
    known = [(number, fact) for number, fact in numbered if number is not None or fact not in with_number]
    redates = sorted(((number, fact) for number, fact in known if isinstance(fact, Redated)), key=_said_order)
    if not redates:
        return [fact for _, fact in known]
    dated = (dated_by(fact, [by for nth, by in redates if _is_below(number, nth)]) for number, fact in known)
    return [fact for fact in dated if fact is not None]


def dated_by(fact: Fact, redates: Iterable[Redated]) -> Fact | None:
    """The fact once these have been said of its timeline, one after the other; None where it is void."""
    shift_us = shifted_by(fact, redates)
    return None if shift_us is None else redated(fact, shift_us)


def shifted_by(fact: Fact, redates: Iterable[Redated]) -> int | None:
    """By how much these move the fact in all; None where they make it void."""
    shift_us, now = 0, fact
    for by in redates:
        if concerned(now, by):
            if by.by_us is None:
                return None
            shift_us += by.by_us
            now = redated(fact, shift_us)
    return shift_us


def _is_below(number: int | None, other: int | None) -> bool:
    return number is None or other is None or number < other


def _said_order(one: tuple[int | None, Redated]) -> tuple[bool, int, int, bytes]:
    number, fact = one
    return (number is None, number or 0, fact.at_us, fact_bytes(fact))


def is_read(fact: Fact) -> bool:
    """A meter showed it, or showed nothing: what can be voided. What somebody sent is never unsaid."""
    return isinstance(fact, _SHOWN)


def redated(fact: Fact, by_us: int) -> Fact:
    """The fact with all that our clock dated moved by so much; what a source claimed counts again, where it can."""
    if not by_us:
        return fact
    if isinstance(fact, _SHOWN):
        return _job(fact, by_us) if isinstance(fact, JobCounted) else redated_run(fact, by_us)
    if isinstance(fact, _RECEIVED):
        # When somebody read the panel is their word; our clock dated the arrival alone.
        said = isinstance(fact, ReadingNoted)
        return replace(fact, origin=_arrived(fact.origin, by_us) if said else _received(fact.origin, by_us))
    if isinstance(fact, ReleaseAnswered):
        # What its source claimed of the start may stay where it is.
        return replace(fact, at_us=fact.at_us + by_us, started_us=fact.started_us + min(by_us, 0))
    if isinstance(fact, _SAID):
        return replace(fact, at_us=fact.at_us + by_us)
    return replace(fact, known_us=fact.known_us + by_us) if isinstance(fact, _KNOWN) else fact


def redated_run(run: PlateauRead | ReadFailed, by_us: int) -> PlateauRead | ReadFailed:
    """As ``redated``."""
    if isinstance(run, PlateauRead):
        return replace(run, plateau=_plateau(run.plateau, by_us))
    return replace(run, silence=_silence(run.silence, by_us))


def _plateau(plateau: Plateau, by_us: int) -> Plateau:
    return replace(
        plateau,
        first_sent_us=plateau.first_sent_us + by_us,
        first_received_us=plateau.first_received_us + by_us,
        last_sent_us=plateau.last_sent_us + by_us,
        last_received_us=plateau.last_received_us + by_us,
    )


def _silence(silence: Silence, by_us: int) -> Silence:
    return replace(
        silence,
        first_sent_us=silence.first_sent_us + by_us,
        last_received_us=silence.last_received_us + by_us,
    )


def _job(counted: JobCounted, by_us: int) -> JobCounted:
    return replace(
        counted,
        sent_us=counted.sent_us + by_us,
        received_us=counted.received_us + by_us,
        began=_within(counted.began, by_us),
        ended=_within(counted.ended, by_us),
    )


def _within(span: Within | None, by_us: int) -> Within | None:
    return None if span is None else Within(span.from_us + by_us, span.until_us + by_us)


def _arrived(origin: Origin, by_us: int) -> Origin:
    return replace(origin, received_us=origin.received_us + by_us)


def _received(origin: Origin, by_us: int) -> Origin:
    """An event that counted from its arrival counts so still, unless its claim is one that can be believed now."""
    received_us, occurred_us = origin.received_us + by_us, origin.occurred_us
    if occurred_us is None:
        return replace(origin, received_us=received_us, at_us=received_us - (origin.received_us - origin.at_us))
    late_us = received_us - occurred_us
    if occurred_us < PLAUSIBLE_FROM_US or not -FUTURE_MAX_US <= late_us <= PAST_MAX_US:
        mark: ClockMark = "future" if late_us < 0 else "implausible-past"
        return replace(origin, received_us=received_us, at_us=received_us, clock=mark)
    return replace(origin, received_us=received_us, at_us=min(occurred_us, received_us), clock="")
