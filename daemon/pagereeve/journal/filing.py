"""A fact made ready for storing, and read back from its body."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.errors import BadFact
from pagereeve.domain.eventdata import PRINTER_NOTED, RELEASE_ENDED, RELEASE_STARTED, data_of
from pagereeve.domain.factjson import from_json, to_json
from pagereeve.domain.facts import Event, Fact, Read, ReadFailed, ReleaseEnded, ReleaseStarted, instant_us
from pagereeve.domain.instants import to_text
from pagereeve.journal.encoding import canonical_text

Identity = tuple[str, str]

STARTED: Final = RELEASE_STARTED
ENDED: Final = RELEASE_ENDED
NOTED: Final = PRINTER_NOTED


@dataclass(frozen=True, slots=True)
class Filing:
    """What a fact's row holds besides its number.

    ``identity`` (source, id) and ``digest`` (sha256 of the claim, hex) are None for what is no event: a Conflict
    names a source and an id too, but they are another event's.
    """

    fact: Fact
    kind: str
    at_us: int
    body: str
    identity: Identity | None = None
    digest: str | None = None
    release: str | None = None

    @property
    def printer(self) -> str:
        return self.fact.printer


def file(fact: Fact) -> Filing:
    """Raises BadFact or BadCanonical where the stored body could not be read again as the same fact."""
    members = to_json(fact)
    body = canonical_text(members)
    if from_json(json.loads(body)) != fact:
        raise BadFact(str(members["fact"]), "does not read back as it was written; channels must be sorted by name")
    if not isinstance(fact, Event):
        return Filing(fact, str(members["fact"]), instant_us(fact), body)
    return Filing(
        fact=fact,
        kind=str(members["type"]),
        at_us=instant_us(fact),
        body=body,
        identity=(fact.origin.source, fact.origin.id),
        digest=claim_digest(fact),
        release=fact.release if isinstance(fact, ReleaseStarted | ReleaseEnded) else None,
    )


def claim_digest(event: Event) -> str:
    """sha256 over all that the sender said: type, data, time. What we added (receipt, clock, route) is left out."""
    kind, data = data_of(event)
    occurred = None if event.origin.occurred_us is None else to_text(event.origin.occurred_us)
    claim = canonical_text({"type": kind, "data": data, "occurred": occurred})
    return hashlib.sha256(claim.encode()).hexdigest()


def open_body(current: Read | ReadFailed) -> str:
    """The body of an open run. Raises as ``file`` does."""
    return file(current).body


def fact_of(body: str) -> Fact:
    """The inverse of a filing's body."""
    return from_json(json.loads(body))


def run_of(body: str) -> Read | ReadFailed:
    """The inverse of ``open_body``. Raises BadFact where the body is another kind of fact."""
    fact = fact_of(body)
    if isinstance(fact, Read | ReadFailed):
        return fact
    raise BadFact("fact", "an open run must be a reading or a failed read")
