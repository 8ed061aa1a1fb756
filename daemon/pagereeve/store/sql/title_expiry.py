"""Titles of jobs go after their time: replaced as an erased person's are, the seal holding commitments instead."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Final

from sqlalchemy import Connection, Row, bindparam, func, select, tuple_, update

from pagereeve.domain.facts.erased import Erased
from pagereeve.domain.facts.events import RELEASE_STARTED
from pagereeve.domain.seal.erasure import ERASED, erasure_digest
from pagereeve.ports.erasing import TITLES_AT_ONCE, TitleExpiry, TitlesExpired
from pagereeve.store.records.title_expiry import HOLDS_TITLE, TitleEraser
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.erasing import write_erased
from pagereeve.store.sql.snapshots import Reader
from pagereeve.store.sql.stored_types import readable

_FACT: Final = schema.fact.c
_ENTRY: Final = schema.seal_entry.c
_KEPT: Final = schema.conflict.c
_ORDER: Final = (_FACT.at_us, _FACT.printer, _FACT.seq)
_STARTS: Final = (
    select(*schema.CHECKED, _FACT.source, _FACT.event_id, _ENTRY.openings)
    .select_from(schema.fact.join(schema.seal_entry, schema.SEALED))
    .where(schema.badge_kinds(), _FACT.kind == RELEASE_STARTED)
    .order_by(*_ORDER)
)
_CLAIM: Final = (
    update(schema.conflict)
    .where(_KEPT.source == bindparam("of"), _KEPT.event_id == bindparam("event"), _KEPT.digest == bindparam("was"))
    .values(body=bindparam("now_body"))
)


def expire_titles(connection: Connection, expiry: TitleExpiry) -> tuple[TitlesExpired, Erased | None]:
    """In the caller's transaction. The fact that tells of it is to be stored in the same one; None without a title."""
    rows = _starts(connection, expiry)
    eraser = TitleEraser(frozenset(), expiry.name)
    for row in rows:
        if HOLDS_TITLE in row.body:
            erased = eraser.erased(row.printer, row.seq, row.body, row.openings)
            if erased is not None:
                write_erased(connection, row, erased)
    for claim in list(_claims(connection, rows)):
        body = eraser.claim_without(claim.body)
        if body is not None:
            where = {"of": claim.source, "event": claim.event_id, "was": claim.digest}
            connection.execute(_CLAIM, {**where, "now_body": body})
    last = rows[-1] if len(rows) == TITLES_AT_ONCE else None
    done = TitlesExpired(len(eraser.facts), None if last is None else (last.at_us, last.printer, last.seq))
    if not eraser.facts:
        return done, None
    digest = erasure_digest(eraser.facts)
    return done, Erased(expiry.at_us, expiry.name, expiry.by, len(eraser.facts), digest)


def _starts(connection: Connection, expiry: TitleExpiry) -> Sequence[Any]:
    page = _STARTS.where(_FACT.at_us < expiry.before_us).limit(TITLES_AT_ONCE)
    if expiry.after is not None:
        # The first condition is for the index, the second for equal instants.
        page = page.where(_FACT.at_us >= expiry.after[0], tuple_(*_ORDER) > tuple_(*expiry.after))
    return connection.execute(page).all()


def _claims(connection: Connection, rows: Sequence[Any]) -> Iterator[Row[Any]]:
    """What was kept aside of these events; mostly nothing ever was."""
    if connection.execute(select(_KEPT.source).limit(1)).first() is None:
        return
    for row in rows:
        same = select(schema.conflict).where(_KEPT.source == row.source, _KEPT.event_id == row.event_id)
        yield from connection.execute(same)


class TitleReads:
    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    async def title_us(self, from_us: int, before_us: int) -> int | None:
        """ports.queries.TitleReads."""
        found = select(_FACT.at_us).where(
            schema.badge_kinds(),
            _FACT.kind == RELEASE_STARTED,
            _FACT.at_us >= from_us,
            _FACT.at_us < before_us,
            func.instr(readable(_FACT.body), HOLDS_TITLE) > 0,
            func.instr(readable(_FACT.body), f'{HOLDS_TITLE}"{ERASED}') == 0,
        )
        row = await self._reader.first(found.order_by(_FACT.at_us).limit(1))
        return None if row is None else row.at_us
