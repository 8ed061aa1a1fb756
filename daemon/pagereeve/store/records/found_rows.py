"""A stored row beside what its own body says: each column follows from the body, and from when it counts."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, Protocol

from pagereeve.domain.facts.claims import HEARD, dated_claim_digest
from pagereeve.domain.facts.facts import Event, Fact, instant_us
from pagereeve.domain.facts.personal import kind_of, personal_names
from pagereeve.domain.facts.redating import redated
from pagereeve.domain.facts.sites import of_site, site_of
from pagereeve.domain.seal.chain import fact_digest
from pagereeve.domain.seal.commitments import Openings, member, present
from pagereeve.domain.values.errors import BadCanonical, BadFact
from pagereeve.ports.seal import FoundFact, SealedContent
from pagereeve.store.records.checked_rows import claim_of, intact, same_claim
from pagereeve.store.records.fact_record import VOID_AT_US, fact_of, file
from pagereeve.store.records.sealing import content_of


class SealedRow(Protocol):
    """A fact's row with what opens its commitments."""

    printer: str
    seq: int
    kind: str
    at_us: int
    source: str | None
    event_id: str | None
    release: str | None
    body: str
    digest: str | None
    shift_us: int | None
    origin: int
    openings: str


def found(row: SealedRow) -> FoundFact:
    if not _readable(row):
        return FoundFact(str(row.kind), None, None, 0, None)
    content = content_of(row.body, row.openings)
    fact = _fact(row.body)
    wrong = () if fact is None else tuple(name for name, right in _columns(row, fact).items() if not right)
    return FoundFact(
        kind=row.kind,
        digest=None if content is None else fact_digest(content),
        fact=fact if fact is None or not row.origin else of_site(fact, site_of(row.printer)),
        at_us=row.at_us,
        shift_us=row.shift_us,
        wrong=wrong,
        erased=_erased(row) if "=" in row.openings else None,
        is_own=not row.origin,
    )


def _readable(row: SealedRow) -> bool:
    """A flipped bit may turn a text into a number: SQLite's columns hold any type (sqlite.org/datatype3.html)."""
    texts = (row.printer, row.kind, row.body, row.openings, row.digest or "")
    numbers = (row.seq, row.at_us, row.shift_us or 0)
    return all(isinstance(one, str) for one in texts) and all(isinstance(one, int) for one in numbers)


def opened(row: SealedRow) -> SealedContent | None:
    """As an outsider checks it, with all that can be opened."""
    content = content_of(row.body, row.openings)
    if content is None:
        return None
    members, openings = json.loads(row.body), Openings.parsed(row.openings)
    names = present(members, personal_names(kind_of(members)))[: len(openings)]
    open_ones = {
        name: (openings.salt(place).hex(), member(members, name))
        for place, name in enumerate(names)
        if not openings.is_erased(place)
    }
    return SealedContent(row.seq, content.decode(), open_ones)


def _fact(body: str) -> Fact | None:
    try:
        return fact_of(body)
    except (BadFact, ValueError, TypeError, KeyError, RecursionError):
        return None


def _columns(row: SealedRow, fact: Fact) -> dict[str, bool]:
    members = json.loads(row.body)
    kind = kind_of(members)
    # What is no event may name another's source and id: a conflict, an answered release.
    here = of_site(fact, site_of(row.printer)) if row.origin else fact
    identity = here.origin.key if isinstance(here, (Event, *HEARD)) else (None, None)
    return {
        "printer": row.printer == here.printer,
        "kind": row.kind == kind,
        "source": (row.source, row.event_id) == identity,
        "release": row.release == member(members, "data.release"),
        "at_us": row.at_us == shifted_us(fact, row.shift_us),
        "digest": intact(row.body, row.digest) and _is_claim(row, fact),
    }


def shifted_us(fact: Fact, shift_us: int | None) -> int:
    """When a fact counts that others moved by so much, or made void (None)."""
    return VOID_AT_US if shift_us is None else instant_us(redated(fact, shift_us))


def _is_claim(row: SealedRow, fact: Fact) -> bool:
    """What an older version wrote otherwise than this one would, nobody can say; of an erased row nothing is kept."""
    claim = claim_of(row.digest or "")
    try:
        record = file(fact)
    except (BadFact, BadCanonical):
        return True
    if record.body != row.body or (not claim and "=" in row.openings):
        return True
    if row.digest is None or same_claim(claim, record.digest or "") or claim == (record.digest or ""):
        return True
    return isinstance(fact, Event) and same_claim(claim, dated_claim_digest(fact))


def _erased(row: SealedRow) -> Mapping[str, Any]:
    try:
        members, openings = json.loads(row.body), Openings.parsed(row.openings)
        names = present(members, personal_names(kind_of(members)))
        return {
            name: member(members, name)
            for place, name in enumerate(names[: len(openings)])
            if openings.is_erased(place)
        }
    except (ValueError, AttributeError, RecursionError):
        return {}
