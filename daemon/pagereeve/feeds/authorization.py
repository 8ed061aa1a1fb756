"""Whether a caller may send an event, and whom a fact names as its author."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from pagereeve.domain.credentials.callers import ACTS, Act, Caller
from pagereeve.domain.facts.events import FINDING_DECIDED, PRINTER_NOTED, type_named
from pagereeve.feeds.refusals import Refusal
from pagereeve.ports.intake import Envelope

AUTHOR: Final = "by"
SHOWN_MAX: Final = 80
# Every other type is what a sender sends.
_ACTS: Final[Mapping[str, Act]] = {PRINTER_NOTED: "note", FINDING_DECIDED: "decide"}


def authorized(envelope: Envelope, caller: Caller) -> Envelope:
    """The event as ``caller`` sends it: the author of a decision is the caller. Raises Refusal.

    A type that nobody knows is let by: the intake refuses it, and names those that there are.
    """
    known = type_named(envelope.type)
    if known is None:
        return envelope
    act = _ACTS.get(known.kind, "send")
    if not caller.may(act):
        has = " ".join(one for one in ACTS if caller.may(one)) or "none"
        raise Refusal("forbidden", "type", f"{known.kind} needs the act {act}; {caller.name} has {has}", act)
    if not caller.may_send(act, envelope.source, envelope.type):
        if caller.types is not None and envelope.type not in caller.types:
            raise Refusal("forbidden", "type", f"{known.kind} is none of the types of {caller.name}")
        shown = f"{envelope.source[:SHOWN_MAX]!r}"
        raise Refusal("forbidden", "source", f"{shown} is none of the sources that {caller.name} may speak for")
    return _authored(envelope, caller) if known.kind == FINDING_DECIDED else envelope


def _authored(envelope: Envelope, caller: Caller) -> Envelope:
    if not isinstance(envelope.data, dict):
        return envelope
    if AUTHOR in envelope.data:
        raise Refusal("bad-member", f"data.{AUTHOR}", "is not said by the sender, who is known here; leave it out")
    return replace(envelope, data={**envelope.data, AUTHOR: caller.name})
