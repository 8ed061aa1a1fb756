"""A journal of realistic size and shape, filled in bulk: one source, many printers, months of facts and rows."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Table, insert
from sqlalchemy.dialects import sqlite

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.ledger import RowSegment
from pagereeve.store.records.fact_record import file, open_body
from pagereeve.store.records.kind_forms import short_kind
from pagereeve.store.records.segment_records import segment_rows
from pagereeve.store.sql import tables
from pagereeve.store.sql.transaction import _fact_columns
from pagereeve.store.sqlite.journal import SqlJournal
from tests.journal_samples import NOON_US, SECOND_US, badge, ended, read, segment, started

STEP_US: Final = 60 * SECOND_US


@dataclass(frozen=True, slots=True)
class Size:
    """``facts`` and ``segments`` are each printer's; a segment has a row or two of everything."""

    printers: int = 50
    facts: int = 600
    segments: int = 40

    @property
    def names(self) -> list[str]:
        return [printer_name(number) for number in range(self.printers)]

    @property
    def middle_us(self) -> int:
        """An instant half way through the facts."""
        return NOON_US + self.facts // 2 * STEP_US


def printer_name(number: int) -> str:
    return f"printer-{number:03d}"


def facts_of(printer: str, size: Size) -> Iterable[Fact]:
    """By turns a reading, a badge, a release's start and its end, a minute apart."""
    for number in range(size.facts):
        at_us, name = NOON_US + number * STEP_US, f"{printer}-{number}"
        match number % 4:
            case 0:
                yield read(number, printer, at_us=at_us)
            case 1:
                yield badge(name, printer, at_us=at_us)
            case 2:
                yield started(name, printer, at_us=at_us, release=release_name(printer, number))
            case _:
                yield ended(name, release_name(printer, number - 1), printer, at_us=at_us)


def release_name(printer: str, number: int) -> str:
    return f"{printer}-release-{number}"


def segments_of(printer: str, size: Size) -> list[RowSegment]:
    return [segment(printer, number) for number in range(size.segments)]


async def fill(path: Path, size: Size) -> None:
    """Create the journal at ``path`` as the store itself would have it, faster than through the store."""
    await (await SqlJournal.open(path, SystemClock())).close()
    with closing(sqlite3.connect(path)) as connection, connection:
        for printer in size.names:
            _add_facts(connection, printer, facts_of(printer, size))
            rows = segment_rows(segments_of(printer, size))
            for table in (tables.segment, *tables.SEGMENT_PARTS):
                _add(connection, table, rows.get(table.name, ()))
            _add(connection, tables.rows_version, [{"printer": printer, "version": 1}])
            body = open_body(read(size.facts, printer, at_us=NOON_US + size.facts * STEP_US))
            _add(connection, tables.open_run, [{"printer": printer, "body": body}])
        site = (badge(f"site-{number}", "", at_us=NOON_US + number * STEP_US) for number in range(size.facts))
        _add_facts(connection, "", site)
        connection.execute("UPDATE seal SET older = NULL")
    # As of a journal that an older version wrote, its first start seals what is there.
    await (await SqlJournal.open(path, SystemClock())).close()


def _add_facts(connection: sqlite3.Connection, printer: str, facts: Iterable[Fact]) -> None:
    [(before,)] = connection.execute("SELECT count(*) FROM fact")
    rows = [_fact_columns(seq, file(fact), before + seq) for seq, fact in enumerate(facts, 1)]
    for row in rows:
        row["kind"] = short_kind(row["kind"])
    _add(connection, tables.fact, rows)


def _add(connection: sqlite3.Connection, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
    if rows:
        adding = insert(table).compile(dialect=sqlite.dialect(paramstyle="named"), column_keys=list(rows[0]))
        connection.executemany(str(adding), rows)
