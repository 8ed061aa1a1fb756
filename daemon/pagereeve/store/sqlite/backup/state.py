"""What a journal holds at one moment, in figures and digests: two copies are the same where their states are equal.

Rows are read in the order in which they were stored (rowid), which both SQLite's online backup and its write-ahead file
keep: the journal counts its facts by it (store/newest.py). VACUUM may number rows anew
(sqlite.org/lang_vacuum.html), so no copy is made by it. Rows that have no numbers are read in the order of their key.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from pagereeve.domain.values.amounts import amount
from pagereeve.ports.journal import DamagedRow
from pagereeve.store.newest import Newest, digest_of
from pagereeve.store.records.body_forms import unpacked_body
from pagereeve.store.records.checked_rows import DAMAGED_MAX, intact
from pagereeve.store.records.digest_forms import unpacked_digest
from pagereeve.store.records.kind_forms import whole_kind

ROWS_AT_A_TIME: Final = 1_000
DIFFERENCES_MAX: Final = 20
_FACTS: Final = "fact"
_COLUMNS: Final = ("printer", "seq", "kind", "at_us", "body", "digest")
_NONE: Final = ""


def next_head(head: str, seq: int, body: str, digest: str | None) -> str:
    """The head of a timeline once one more fact stands in it, from the head before ("" of an empty one): SHA-256, hex.

    It covers the number and digest of every fact, in order. This is the one place that says what a head is.
    """
    return hashlib.sha256(f"{head}\n{seq}\n{digest or body}".encode(errors="surrogateescape")).hexdigest()


@dataclass(frozen=True, slots=True)
class TimelineState:
    """``facts`` are counted; ``newest`` is the highest number among them."""

    facts: int = 0
    newest: int = 0
    head: str = _NONE


@dataclass(frozen=True, slots=True)
class TableState:
    """``digest`` covers every row with its place (its number, or its key) and every column: SHA-256, hex."""

    rows: int
    digest: str


@dataclass(frozen=True, slots=True)
class JournalState:
    """``newest_us`` is the latest instant of a fact, microseconds since 1970; None without a fact.

    ``key_id`` is the check value of the badge key, "" where no badge was ever hashed: it shows whether a key is the
    journal's own, and nothing of the key. ``damaged`` rows do not fit their digest; the first DAMAGED_MAX are named.
    """

    revision: str
    newest: Newest
    newest_us: int | None
    key_id: str
    timelines: Mapping[str, TimelineState]
    tables: Mapping[str, TableState]
    damaged: tuple[DamagedRow, ...] = ()

    @property
    def facts(self) -> int:
        return sum(one.facts for one in self.timelines.values())


@dataclass(slots=True)
class _Facts:
    """Gathered row by row."""

    sequence: int = 0
    digest: str = field(default_factory=lambda: Newest().digest)
    newest_us: int | None = None
    timelines: dict[str, TimelineState] = field(default_factory=dict)
    damaged: list[DamagedRow] = field(default_factory=list)

    def add(self, rowid: int, printer: str, seq: int, kind: str, at_us: int, stored: Any, stored_digest: Any) -> None:
        body, digest = unpacked_body(stored), unpacked_digest(stored_digest)
        whole = isinstance(body, str) and isinstance(digest, str | None) and intact(body, digest)
        if not whole and len(self.damaged) < DAMAGED_MAX:
            self.damaged.append(DamagedRow(str(printer), seq, str(whole_kind(kind))))
        known = self.timelines.get(str(printer), TimelineState())
        head = next_head(known.head, seq, str(body), None if digest is None else str(digest))
        self.timelines[str(printer)] = TimelineState(known.facts + 1, max(known.newest, seq), head)
        self.sequence, self.digest = rowid, digest_of(printer, seq, body, digest)
        self.newest_us = at_us if self.newest_us is None else max(self.newest_us, at_us)


def state_of(connection: sqlite3.Connection) -> JournalState:
    """Of one moment where the connection is in a transaction. Its texts must be read by connections.ANY_TEXT.

    Raises sqlite3.Error or TypeError where the file is no journal, or so damaged that it can't be read.
    """
    gathered = _Facts()
    tables = {name: _table(connection, name, gathered) for name in _names(connection)}
    tables["sqlite_schema"] = _schema(connection)
    fence = connection.execute("SELECT max(fence) FROM instance").fetchone()[0] or 0
    return JournalState(
        revision=str(connection.execute("SELECT max(version_num) FROM alembic_version").fetchone()[0]),
        newest=Newest(fence, gathered.sequence, gathered.digest),
        newest_us=gathered.newest_us,
        key_id=_key_id(connection, tables),
        timelines=gathered.timelines,
        tables=tables,
        damaged=tuple(gathered.damaged),
    )


def _names(connection: sqlite3.Connection) -> list[str]:
    rows = connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name").fetchall()
    return [str(name) for (name,) in rows]


def _schema(connection: sqlite3.Connection) -> TableState:
    # Without the root pages: where a table begins in the file is no part of what it says.
    rows = connection.execute("SELECT type, name, tbl_name, sql FROM sqlite_schema ORDER BY type, name").fetchall()
    return TableState(len(rows), hashlib.sha256(_line(rows)).hexdigest())


def _key_id(connection: sqlite3.Connection, tables: Mapping[str, TableState]) -> str:
    if "key_check" not in tables:
        return _NONE  # written before keys were checked
    row = connection.execute("SELECT value FROM key_check WHERE name = 'badge'").fetchone()
    return _NONE if row is None else str(row[0])


def _table(connection: sqlite3.Connection, name: str, facts: _Facts) -> TableState:
    quoted = _quoted(name)
    # Rows without numbers lie by their key, which this names (sqlite.org/withoutrowid.html, "Determining If An Existing
    # Table Is WITHOUT ROWID").
    key = ", ".join(_quoted(row[2]) for row in connection.execute(f"PRAGMA index_info({quoted})"))
    what = "*" if key else "rowid, *"
    cursor = connection.execute(f"SELECT {what} FROM {quoted} ORDER BY {key or 'rowid'}")  # noqa: S608 - own names
    columns = [column[0] for column in cursor.description]
    wanted = [columns.index(one) for one in _COLUMNS] if name == _FACTS else None
    digest, count = hashlib.sha256(), 0
    for rows in _in_parts(cursor):
        count += len(rows)
        for row in rows:
            digest.update(_line(row))
            if wanted is not None:
                facts.add(row[0], *(row[place] for place in wanted))
    return TableState(count, digest.hexdigest())


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _in_parts(cursor: sqlite3.Cursor) -> Iterator[Sequence[tuple[Any, ...]]]:
    while rows := cursor.fetchmany(ROWS_AT_A_TIME):
        yield rows


def _line(values: Sequence[Any]) -> bytes:
    """One line for one row, the same on every machine: ASCII, as JSON."""
    return json.dumps(values, separators=(",", ":"), default=_raw).encode() + b"\n"


def _raw(value: object) -> str:
    if isinstance(value, bytes):
        return f"x'{value.hex()}'"
    raise TypeError(f"a row holds {type(value).__name__}")


def differences(wanted: JournalState, found: JournalState) -> list[str]:
    """What is other in ``found``, the most particular first, DIFFERENCES_MAX at most. Empty where they are equal."""
    texts = [
        f"{one.printer or 'the site'}: fact {one.seq} ({one.kind}) is damaged"
        for one in found.damaged
        if one not in wanted.damaged
    ]
    for printer in sorted({*wanted.timelines, *found.timelines}):
        was, now = (state.timelines.get(printer, TimelineState()) for state in (wanted, found))
        if was != now:
            texts.append(f"{printer or 'the site'}: {_timeline(was)} became {_timeline(now)}")
    names = sorted({*wanted.tables, *found.tables})
    texts += [f"table {one} is other than it was" for one in names if wanted.tables.get(one) != found.tables.get(one)]
    if wanted.newest != found.newest:
        texts.append(f"its newest fact is {found.newest.sequence}, not {wanted.newest.sequence} as it was")
    if not texts and wanted != found:
        texts.append("its revision, times or key are other than they were")
    return texts[:DIFFERENCES_MAX]


def _timeline(one: TimelineState) -> str:
    return f"{amount(one.facts, 'fact')} up to {one.newest} (head {one.head[:12] or '-'})"
