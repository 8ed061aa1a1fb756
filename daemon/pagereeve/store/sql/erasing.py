"""A person is taken out of the journal: what names the owner is replaced, and the seal holds commitments instead."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, Final

from sqlalchemy import Connection, Row, bindparam, func, select, tuple_, update

from pagereeve.domain.facts.erased import Erased
from pagereeve.domain.facts.facts import Bound, ReleaseStarted
from pagereeve.domain.facts.owners import owner_key
from pagereeve.domain.seal.erasure import erasure_digest
from pagereeve.ports.erasing import Erasure, ErasureOutcome
from pagereeve.store.records.batch import Replacement
from pagereeve.store.records.checked_rows import Damage, digest_of_body
from pagereeve.store.records.erasing import OWNED_KINDS, ErasedRow, Eraser, own_badges, owner_in
from pagereeve.store.records.fact_record import Identity
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.closed_periods import erase_frozen
from pagereeve.store.sql.stored_types import readable

PAGE_ROWS: Final = 1_000

_FACT: Final = schema.fact.c
_ENTRY: Final = schema.seal_entry.c
_KEPT: Final = schema.conflict.c
# Whether a body may name somebody: what it says is looked at afterwards.
_SEALED: Final = select(*schema.CHECKED, _ENTRY.openings).select_from(
    schema.fact.join(schema.seal_entry, schema.SEALED)
)
_HOLDING: Final = _SEALED.where(func.instr(readable(_FACT.body), bindparam("text")) > 0)
_ONE: Final = _SEALED.where(_FACT.printer == bindparam("of"), _FACT.seq == bindparam("number"))
_PLACE: Final = (
    select(_FACT.place).where(_FACT.printer == bindparam("of"), _FACT.seq == bindparam("number")).scalar_subquery()
)
_OPENED: Final = (
    update(schema.seal_entry)
    .where(_ENTRY.position == _PLACE, _ENTRY.printer == bindparam("of"), _ENTRY.seq == bindparam("number"))
    .values(openings=bindparam("now_openings"))
)
_CHANGED: Final = (
    update(schema.fact)
    .where(_FACT.printer == bindparam("of"), _FACT.seq == bindparam("number"))
    .values(body=bindparam("now_body"), digest=bindparam("now_digest"), event_id=bindparam("now_id"))
)
_CLAIMS: Final = select(schema.conflict).where(_KEPT.source == bindparam("of"), _KEPT.event_id == bindparam("event"))
_CLAIM: Final = (
    update(schema.conflict)
    .where(_KEPT.source == bindparam("of"), _KEPT.event_id == bindparam("event"), _KEPT.digest == bindparam("was"))
    .values(digest=bindparam("now_digest"), body=bindparam("now_body"), event_id=bindparam("now_id"))
)
_OF_EVENT: Final = select(_FACT.source, _FACT.event_id).where(
    _FACT.printer == bindparam("of"), _FACT.seq == bindparam("number")
)


def erase(connection: Connection, erasure: Erasure) -> tuple[ErasureOutcome, Erased | None, Sequence[Replacement]]:
    """In the caller's transaction. The fact that tells of it is to be stored in the same one, and the rows to be
    dropped with it; None where nothing names the owner.
    """
    eraser = Eraser.of(erasure)
    spellings = _spellings(connection, erasure)
    badges, shared = _badges(connection, erasure, spellings)
    for badge in badges:
        eraser.learn_badge(badge)
    identities: list[Identity] = []
    for text in (*spellings, *badges, *erasure.persons):
        for row in list(_rows(connection, text)):
            erased = eraser.erased(row.printer, row.seq, row.body, row.openings)
            if erased is not None:
                identities += write_erased(connection, row, erased)
    _erase_claims(connection, eraser, (*spellings, *badges), identities)
    printers = sorted({printer for printer, *_ in eraser.facts})
    closed = erase_frozen(connection, erasure) if eraser.facts else ()
    outcome = ErasureOutcome(len(eraser.facts), printers, len(badges), shared, closed)
    if not eraser.facts:
        return outcome, None, ()
    digest = erasure_digest(eraser.facts)
    fact = Erased(erasure.at_us, erasure.name, erasure.by, len(eraser.facts), digest)
    return outcome, fact, [Replacement(printer, None) for printer in {*printers, ""}]


def _spellings(connection: Connection, erasure: Erasure) -> list[str]:
    """Each way in which the journal writes the person's logins, and those that were asked for."""
    keys, found = erasure.keys, dict.fromkeys((erasure.owner, *erasure.logins))
    owners = select(_FACT.body).where(_FACT.kind.in_(OWNED_KINDS)).union_all(select(_KEPT.body))
    for (body,) in connection.execute(owners):
        name = owner_in(body)
        if name is not None and owner_key(name) in keys:
            found[name] = None
    return list(found)


def _badges(connection: Connection, erasure: Erasure, spellings: Iterable[str]) -> tuple[Sequence[str], int]:
    damage = Damage()
    rows = (row for text in spellings for row in _rows(connection, text))
    facts = [fact for row in rows if (fact := damage.whole(row)) is not None]
    for badge in {fact.badge for fact in facts if isinstance(fact, Bound | ReleaseStarted) and fact.badge}:
        facts += [fact for row in _rows(connection, badge) if (fact := damage.whole(row)) is not None]
    return own_badges(facts, erasure.keys)


def _rows(connection: Connection, text: str) -> Iterator[Any]:
    """Those whose body holds the text as a JSON string, in order of timeline and number."""
    place: tuple[str, int] | None = ("", -1)
    quoted = json.dumps(text, ensure_ascii=False)
    while place is not None:
        page = _HOLDING.where(tuple_(_FACT.printer, _FACT.seq) > place).order_by(_FACT.printer, _FACT.seq)
        rows = connection.execute(page.limit(PAGE_ROWS), {"text": quoted}).all()
        yield from rows
        place = (rows[-1].printer, rows[-1].seq) if len(rows) == PAGE_ROWS else None


def write_erased(connection: Connection, row: Any, erased: ErasedRow) -> Sequence[Identity]:
    """The seal first: the database lets a fact be changed only where its seal says that something was erased.

    The identity that the fact had, where it is an event.
    """
    where = {"of": row.printer, "number": row.seq}
    connection.execute(_OPENED, {**where, "now_openings": erased.openings})
    source, event_id = connection.execute(_OF_EVENT, where).one()
    now = {
        "now_body": erased.body,
        "now_digest": digest_of_body(erased.body),
        "now_id": None if source is None else erased.event_id,
    }
    connection.execute(_CHANGED, {**where, **now})
    return [] if source is None else [(source, event_id)]


def _erase_claims(connection: Connection, eraser: Eraser, texts: Iterable[str], identities: Iterable[Identity]) -> None:
    """What was kept aside as another claim of an event, and the digest of it in the fact that reports it."""
    kept: dict[tuple[str, str, str], Row[Any]] = {}
    for text in texts:
        holding = select(schema.conflict).where(func.instr(_KEPT.body, json.dumps(text, ensure_ascii=False)) > 0)
        kept |= {(row.source, row.event_id, row.digest): row for row in connection.execute(holding)}
    for source, event_id in identities:
        rows = connection.execute(_CLAIMS, {"of": source, "event": event_id})
        kept |= {(row.source, row.event_id, row.digest): row for row in rows}
    for row in kept.values():
        erased = eraser.claim(row.body)
        if erased is not None:
            digest = eraser.text()
            claim = {"of": row.source, "event": row.event_id, "was": row.digest}
            now = {"now_digest": digest, "now_body": erased.body, "now_id": erased.event_id}
            connection.execute(_CLAIM, {**claim, **now})
            _erase_reported(connection, eraser, row, digest)


def _erase_reported(connection: Connection, eraser: Eraser, claim: Row[Any], digest: str) -> None:
    fact = connection.execute(_ONE, {"of": claim.printer, "number": claim.seq}).one_or_none()
    if fact is not None:
        erased = eraser.reported(fact.printer, fact.seq, fact.body, fact.openings, digest)
        if erased is not None:
            write_erased(connection, fact, erased)
