"""Whether a caller may send an event, and whom a fact names as its author."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from pagereeve.domain.credentials.callers import Caller
from pagereeve.domain.facts.events import AUTHOR, PAGES_DECIDED, type_named
from pagereeve.feeds.refusals import Refusal
from pagereeve.ports.intake import Envelope

SHOWN_MAX: Final = 80


def authorized(envelope: Envelope, caller: Caller) -> Envelope:
    """The event as ``caller`` sends it: where its type has an author, that is the caller. Raises Refusal.

    A type that nobody knows is let by: the intake refuses it, and names those that there are.
    """
    known = type_named(envelope.type)
    if known is None:
        return envelope
    if not caller.may(known.act):
        problem = f"{known.kind} needs the act {known.act}; {_who(caller)} has {caller.acts_text or 'none'}"
        raise Refusal("forbidden", "type", problem, known.act)
    if not caller.may_send(known.act, envelope.source, envelope.type):
        if caller.types is not None and envelope.type not in caller.types:
            raise Refusal("forbidden", "type", f"{known.kind} is none of the types of {_who(caller)}")
        shown = f"{envelope.source[:SHOWN_MAX]!r}"
        raise Refusal("forbidden", "source", f"{shown} is none of the sources that {_who(caller)} may speak for")
    if envelope.type == PAGES_DECIDED:
        _require_few(envelope, caller)
        envelope = replace(envelope, pages_day_max=caller.pages_day_max)
    return _authored(envelope, caller) if known.authored else envelope


def _require_few(envelope: Envelope, caller: Caller) -> None:
    """What is no number is the intake's to refuse."""
    pages = envelope.data.get("pages") if isinstance(envelope.data, dict) else None
    if caller.pages_max is None or not isinstance(pages, int) or pages <= caller.pages_max:
        return
    problem = f"is more than {_who(caller)} may decide at once ({caller.pages_max}, pages_max)"
    raise Refusal("forbidden", "data.pages", problem, "pages-max")


def _authored(envelope: Envelope, caller: Caller) -> Envelope:
    if not isinstance(envelope.data, dict):
        return envelope
    if AUTHOR in envelope.data:
        problem = "is not said by the sender: the author is the credential's holder; leave it out"
        raise Refusal("bad-member", f"data.{AUTHOR}", problem)
    return replace(envelope, data={**envelope.data, AUTHOR: caller.name}) if caller.name else envelope


def _who(caller: Caller) -> str:
    return f"the credential {caller.name}" if caller.name else "who shows no credential"
