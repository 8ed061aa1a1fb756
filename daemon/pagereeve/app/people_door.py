"""What a command of this host says of persons, stored by the daemon. Its date and author are the daemon's to say."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Sequence
from dataclasses import replace
from http import HTTPStatus
from typing import Any, Final

from pagereeve.app.people_facts import PEOPLE_FACTS
from pagereeve.app.request_body import read_body
from pagereeve.domain.facts.codec import from_json, to_json
from pagereeve.domain.facts.facts import Assigned, Fact
from pagereeve.domain.facts.people import PersonNamed
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.plain_text import require_plain_members
from pagereeve.feeds.http.answers import HttpAnswer, Receive
from pagereeve.feeds.http.strict_json import parse
from pagereeve.feeds.refusals import Refusal
from pagereeve.ports.clock import Clock
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.ports.store import Store

FACTS_MAX: Final = 500
BODY_MAX_BYTES: Final = 2**20
READ_S: Final = 10.0


def people_body(facts: Sequence[Fact]) -> bytes:
    """At most FACTS_MAX of them."""
    return json.dumps({"facts": [to_json(one) for one in facts]}).encode()


async def store_people(receive: Receive, by: str, *, store: Store, clock: Clock) -> HttpAnswer:
    """All of a body or, where one of them is refused, none. Raises Refusal."""
    facts = [_said_by(one, by, clock.now_us()) for one in _facts_of(await read_body(receive, BODY_MAX_BYTES, READ_S))]
    try:
        await asyncio.gather(*(store.append(one) for one in facts))
    except JournalUnavailable as error:
        raise Refusal("journal-unavailable", "people", f"{error}; import the list once more") from None
    return HttpAnswer(HTTPStatus.OK, {"by": by, "facts": len(facts)})


def _facts_of(body: bytes) -> list[Fact]:
    members = parse(body, size_max_bytes=BODY_MAX_BYTES)
    said = members.get("facts") if isinstance(members, dict) else None
    if not isinstance(said, list) or len(said) > FACTS_MAX:
        raise Refusal("bad-member", "facts", f"is no list of {FACTS_MAX} facts at most; send fewer at once")
    return [_fact_of(one, f"facts[{place}]") for place, one in enumerate(said)]


def _fact_of(members: Any, where: str) -> Fact:
    try:
        fact = from_json(members)
        require_plain_members(members, where)
    except BadFact as error:
        raise Refusal("bad-member", where, str(error)) from None
    if not isinstance(fact, PEOPLE_FACTS):
        raise Refusal("bad-member", where, "says nothing of persons; only that is stored here")
    return fact


def _said_by(fact: Fact, by: str, now_us: int) -> Fact:
    if isinstance(fact, Assigned):
        return fact
    if isinstance(fact, PersonNamed):
        return replace(fact, known_us=now_us, by=by)
    return replace(fact, at_us=now_us, by=by)  # type: ignore[arg-type]
