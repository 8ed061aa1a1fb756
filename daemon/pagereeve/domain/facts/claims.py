"""What a sender claimed, apart from what we added on receipt: the same claim twice is one event, another a conflict."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any, Final

from pagereeve.domain.facts.codec import fact_bytes, to_json
from pagereeve.domain.facts.facts import (
    BadgePresented,
    BadgeUnreadable,
    ClockChanged,
    Decided,
    Event,
    GatewayChecked,
    JournalEvent,
    LossAccepted,
    PagesDecided,
    PrinterNoted,
    ReadingNoted,
    ReceiverChanged,
    ReleaseEnded,
    ReleaseStarted,
    SiteChecked,
)
from pagereeve.domain.values.canonical import canonical

Heard = Event | BadgeUnreadable | ClockChanged | JournalEvent
"""A fact that has an identity of its own: a source and an id."""

# A union written in place would be rebuilt at each call.
HEARD: Final = (
    *(BadgePresented, ReleaseStarted, ReleaseEnded, PrinterNoted, ReadingNoted, Decided, PagesDecided),
    *(BadgeUnreadable, ClockChanged, LossAccepted, ReceiverChanged, GatewayChecked, SiteChecked),
)


def claim_of(members: Mapping[str, Any]) -> dict[str, Any]:
    """What the sender said: type and data. What we added (receipt, clock, route) is left out, and so is the time: a
    server that sends a notice again may write when it does so. The first one counts.

    ``members`` are the event as facts.codec writes it.
    """
    return {"type": members["type"], "data": members["data"]}


def dated_claim_digest(event: Event) -> str:
    """As programs made it that counted the time for a part of the claim: journals of then have it."""
    occurred_us = event.origin.occurred_us
    # The time as a text: microseconds of a far year are beyond the numbers of RFC 8785.
    occurred = None if occurred_us is None else str(occurred_us)
    return hashlib.sha256(canonical({**claim_of(to_json(event)), "occurred_us": occurred})).hexdigest()


def claim_digest(fact: Heard) -> str:
    """sha256 of the claim, hex. Raises BadCanonical."""
    match fact:
        case BadgeUnreadable():
            claim = fact.reason.encode()
        case ClockChanged():
            claim = fact.change.encode()
        case LossAccepted() | ReceiverChanged() | GatewayChecked() | SiteChecked():
            claim = fact_bytes(fact)
        case _:
            claim = canonical(claim_of(to_json(fact)))
    return hashlib.sha256(claim).hexdigest()


def kind_of(fact: Heard) -> str:
    """The type of an event, or the kind of another fact."""
    members = to_json(fact)
    return str(members.get("type", members["fact"]))
