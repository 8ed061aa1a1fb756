"""Postings with their legs over SQL: two statements for a page of many."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import AsyncIterator, Sequence
from typing import Any, Final

from sqlalchemy import ColumnElement, Select, and_, select, tuple_

from pagereeve.domain.ledger import Posting, Stretch
from pagereeve.store.records.ledger_records import stretch_of
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.snapshots import Reader

PAGE_POSTINGS: Final = 500
"""They are read and made in some milliseconds: as rows of a few columns, with no names looked up."""

_POSTING: Final = schema.posting.c
_LEG: Final = schema.leg.c
_STRETCH: Final = schema.stretch.c
_ORDER: Final = (_POSTING.closes_us, _POSTING.printer, _POSTING.run, _POSTING.channel)
_PLACE: Final = (_POSTING.anchor_us, _POSTING.ordinal)
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

    async def stretches_posted(self, from_us: int, to_us: int) -> Sequence[Stretch]:
        """One statement: down the index of the postings' closings, and for each place down its printer's."""
        within = (_POSTING.closes_us >= from_us, _POSTING.closes_us < to_us)
        # Of distinct places: joined with the postings themselves, SQLite would look through the span for each.
        places = select(*(_POSTING[name] for name in _SAME_STRETCH)).where(*within).distinct().subquery()
        here = and_(*(_STRETCH[name] == places.c[name] for name in _SAME_STRETCH))
        statement = select(schema.stretch).select_from(places.join(schema.stretch, here))
        key = (_STRETCH.printer, _STRETCH.anchor_us, _STRETCH.ordinal)
        return [stretch_of(row) for row in await self._reader.rows(statement.order_by(*key))]


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


def _made(rows: Sequence[Any], legs: Sequence[Any]) -> list[Posting]:
    """``legs`` in order of their places."""
    parts: dict[tuple[str, int, int], list[tuple[str, int]]] = defaultdict(list)
    for printer, anchor_us, ordinal, account, pages in legs:
        parts[printer, anchor_us, ordinal].append((account, pages))
    none: tuple[tuple[str, int], ...] = ()
    return [
        Posting(printer, run, channel, opens_us, closes_us, tuple(parts.get((printer, anchor_us, ordinal), none)))
        for closes_us, printer, run, channel, opens_us, anchor_us, ordinal in rows
    ]
