"""From an event that is decided to the intake, as its caller; what the intake says no to is no fault of the form."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import structlog

from pagereeve.app.deciding.keys import used_otherwise
from pagereeve.console.api.problems import ApiProblem
from pagereeve.domain.credentials.callers import Caller
from pagereeve.feeds.authorization import authorized
from pagereeve.feeds.http.endpoint import EventsEndpoint
from pagereeve.feeds.http.quotas import sender_of
from pagereeve.ports.intake import Envelope

log = structlog.get_logger("pagereeve.deciding")


def envelope_from(members: Mapping[str, Any], name: str = "") -> Envelope:
    """Of a CloudEvent's members (app/own_events.py); ``name`` is another id for it."""
    return Envelope(members["source"], name or members["id"], members["type"], members["time"], members["data"])


class Submitting:
    def __init__(self, events: EventsEndpoint) -> None:
        self._events = events

    def require_allowed(self, envelope: Envelope, caller: Caller) -> None:
        """Raises Refusal for what ``caller`` may not decide, its limit of pages too."""
        authorized(envelope, caller)

    async def submit(self, envelope: Envelope, caller: Caller) -> bool:
        """Is it new? Durable on return. Raises ApiProblem, Refusal."""
        taken = await self._events.submitter.take(envelope, None, caller)
        if taken.fault is not None:
            log.error("a decision failed through a fault of ours", exc_info=taken.fault)
        refusal = taken.refusal
        if refusal is None:
            # A caller of a decision has a name: its quota is that of a credential, wherever it comes from.
            self._events.quotas.charge(sender_of(caller.name, {}), len(str(envelope.data)), [taken])
            return taken.accepted is None or taken.accepted.outcome != "duplicate"
        if refusal.reason == "conflict":
            raise used_otherwise()
        if refusal.reason == "bad-member":
            raise ApiProblem("not-possible", refusal.where, refusal.problem)
        raise refusal
