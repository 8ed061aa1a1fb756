"""Postings with their legs over SQL: two statements for a page of many."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import AsyncIterator, Sequence
from typing import Any, Final

from sqlalchemy import ColumnElement, Select, and_, select, tuple_

from pagereeve.domain.accounts.ledger_rows import LedgerRow
from pagereeve.domain.ledger import Posting
from pagereeve.store.records.stored_ledger_rows import STRETCH_SAYS, Parts, ledger_rows_of
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.snapshots import Reader

PAGE_POSTINGS: Final = 500
"""They are read and made in some milliseconds: as rows of a few columns, with no names looked up."""
PAGE_LEDGER: Final = 2_000
"""Of these nothing is written but a file, and nobody waits beside it; a page costs two statements."""

_POSTING: Final = schema.posting.c
_LEG: Final = schema.leg.c
_STRETCH: Final = schema.stretch.c
_ORDER: Final = (_POSTING.closes_us, _POSTING.printer, _POSTING.run, _POSTING.channel)
_PLACE: Final = (_POSTING.anchor_us, _POSTING.ordinal)
_WHOLE_ORDER: Final = (*_ORDER, *_PLACE)
_COLUMNS: Final = (*_ORDER, _POSTING.opens_us, *_PLACE)
_LEGS: Final = schema.posting.join(
    schema.leg,
    and_(_LEG.printer == _POSTING.printer, _LEG.anchor_us == _POSTING.anchor_us, _LEG.ordinal == _POSTING.ordinal),
)
_SAME_STRETCH: Final = ("printer", "closes_us", "opens_us", "run", "channel")


class PostingReads:
    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    async def postings(self, from_us: int, to_us: int, printer: str | None = None) -> AsyncIterator[Posting]:
        """In order of their closing, then printer, run, channel.

        A projection that runs meanwhile may move a closing past the page that is out; ``segments`` is one snapshot.
        """
        after: Any = None
        while True:
            since_us = from_us if after is None else after[0]
            span = (*_closing_in(since_us, to_us, printer), *(() if after is None else (_behind(after, _ORDER),)))
            page = select(*_COLUMNS).where(*span).order_by(*_ORDER, *_PLACE)
            async with self._reader.snapshot() as connection:
                rows: list[Any] = list((await connection.execute(page.limit(PAGE_POSTINGS))).all())
                whole = len(rows) < PAGE_POSTINGS
                if not whole:
                    # The next page begins behind all that equal the last: their places a projection may change.
                    equal = page.where(tuple_(*_ORDER) == tuple_(*rows[-1][:4]), _behind(rows[-1][5:], _PLACE))
                    rows += (await connection.execute(equal)).all()
                legs = (await connection.execute(_legs_of(rows, printer))).all() if rows else ()
            for posting in _made(rows, legs):
                yield posting
            if whole:
                return
            after = rows[-1]

    async def ledger_rows(
        self, from_us: int, to_us: int, printer: str | None = None
    ) -> AsyncIterator[Sequence[LedgerRow]]:
        """As ``postings``, each with its stretch, a page at a time; of one snapshot alone."""
        after: Any = None
        while True:
            since_us = from_us if after is None else after[0]
            behind = () if after is None else (_behind(after, _WHOLE_ORDER),)
            page = select(*_COLUMNS).where(*_closing_in(since_us, to_us, printer), *behind)
            async with self._reader.snapshot() as connection:
                first = page.order_by(*_WHOLE_ORDER).limit(PAGE_LEDGER)
                rows: list[Any] = list((await connection.execute(_with_stretches(first))).all())
                legs = (await connection.execute(_legs_of(rows, printer))).all() if rows else ()
            if rows:
                made = ledger_rows_of(rows, _parts(legs))
                yield made
            if not rows or len(made) < PAGE_LEDGER:
                return
            after = (*rows[-1][:4], *rows[-1][5:7])


def _with_stretches(page: Select[Any]) -> Select[Any]:
    """Each posting once with each stretch at its place: nearly always one."""
    one = page.subquery()
    same = and_(*(_STRETCH[name] == one.c[name] for name in _SAME_STRETCH))
    order = (*(one.c[column.name] for column in _WHOLE_ORDER), _STRETCH.anchor_us, _STRETCH.ordinal)
    said = (_STRETCH[name] for name in STRETCH_SAYS)
    return select(*one.c, *said).select_from(one.outerjoin(schema.stretch, same)).order_by(*order)


def _closing_in(from_us: int, to_us: int, printer: str | None) -> tuple[ColumnElement[bool], ...]:
    """Of one printer down its rows: the sign keeps SQLite from going through all that closed in the span."""
    if printer is None:
        return _POSTING.closes_us >= from_us, _POSTING.closes_us < to_us
    closes_us = _POSTING.closes_us + 0
    return _POSTING.printer == printer, closes_us >= from_us, closes_us < to_us


def _behind(row: Any, order: Sequence[ColumnElement[Any]]) -> ColumnElement[bool]:
    return tuple_(*order) > tuple_(*row[: len(order)])


def _legs_of(rows: Sequence[Any], printer: str | None) -> Select[Any]:
    """By a join over the span that the page is: by a list of keys SQLite would walk through all legs."""
    first, last = rows[0], rows[-1]
    order = tuple_(*_ORDER)
    ends = (order >= tuple_(*first[:4]), order <= tuple_(*last[:4]))
    columns = (_LEG.printer, _LEG.anchor_us, _LEG.ordinal, _LEG.account, _LEG.pages)
    span = _closing_in(first[0], last[0] + 1, printer)
    return select(*columns).select_from(_LEGS).where(*span, *ends).order_by(_LEG.place)


def _parts(legs: Sequence[Any]) -> Parts:
    """``legs`` in order of their places."""
    parts: Parts = defaultdict(list)
    for printer, anchor_us, ordinal, account, pages in legs:
        parts[printer, anchor_us, ordinal].append((account, pages))
    return parts


def _made(rows: Sequence[Any], legs: Sequence[Any]) -> list[Posting]:
    parts = _parts(legs)
    none: tuple[tuple[str, int], ...] = ()
    return [
        Posting(printer, run, channel, opens_us, closes_us, tuple(parts.get((printer, anchor_us, ordinal), none)))
        for closes_us, printer, run, channel, opens_us, anchor_us, ordinal in rows
    ]
