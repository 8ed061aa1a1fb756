"""The journal's file as what is moved into a database: held, read as it lies there, and never changed.

The lock keeps a daemon out. What is read has no write-ahead file, so SQLite needs neither that nor an index beside it
(sqlite.org/uri.html, ``immutable``): no file is made, and none is touched.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Integer, LargeBinary

from pagereeve.store.errors import CantOpen, NewerSchema, NotAJournal, NotMoved
from pagereeve.store.records.checked_rows import OPEN_RUN, Damage, intact
from pagereeve.store.records.kind_forms import whole_kind
from pagereeve.store.records.moved_rows import storable_row
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.moved_tables import FOLLOWING, MOVED, ODD_MAY_BE, MovedTable
from pagereeve.store.sql.stored_types import Packed
from pagereeve.store.sqlite.connections import ANY_TEXT
from pagereeve.store.sqlite.files import size_bytes, wal_path
from pagereeve.store.sqlite.lock import InstanceLock
from pagereeve.store.sqlite.opening_check import examine

BATCH_ROWS: Final = 5_000
BATCH_BYTES: Final = 4 * 2**20
"""Of text and bytes, whichever comes first; a single row may be longer."""
FIRST: Final = -(2**63)
"""Before any row's number."""

Values = tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class MovedJournal:
    """Which journal it is, and in which state: ``sha256`` is that of its file. ``rows`` are counted by table."""

    origin: str
    facts: int
    sha256: str
    size_bytes: int
    rows: Mapping[str, int]

    @property
    def all_rows(self) -> int:
        return sum(self.rows.values())


@dataclass(slots=True)
class Batch:
    """Rows one behind the other, the last one numbered ``upto``. ``odd``: names of those with a value that the database
    takes only in another form (records/moved_rows.py); ``damaged``: of those that do not fit their digest.
    """

    upto: int = FIRST
    size_bytes: int = 0
    rows: list[Values] = field(default_factory=list)
    odd: list[str] = field(default_factory=list)
    damaged: list[str] = field(default_factory=list)


class MoveSource:
    """One moment of the file, for one task."""

    def __init__(self, path: Path, connection: sqlite3.Connection, journal: MovedJournal) -> None:
        self.journal = journal
        self._path = path
        self._connection = connection

    def batches(self, moved: MovedTable, after: int = FIRST) -> Iterator[Batch]:
        """All rows numbered above ``after``, in bounded batches. Raises CantOpen."""
        unpacks, is_damaged = _unpacking(moved), _DAMAGED.get(moved.name, _never)
        batch = Batch()
        for number, *stored in _read(
            self._path, self._connection, _select(moved, "rowid > ?", "ORDER BY rowid"), after
        ):
            for place, unpack in unpacks:
                stored[place] = unpack(stored[place])
            values = storable_row(stored)
            if values != tuple(stored):
                self._require_harmless(moved, number, stored, values)
                batch.odd.append(_name_of(moved, number, values))
            if is_damaged(stored):
                batch.damaged.append(_name_of(moved, number, values))
            batch.rows.append(values)
            batch.upto = number
            batch.size_bytes += sum([len(one) for one in values if isinstance(one, str | bytes)])
            if len(batch.rows) >= BATCH_ROWS or batch.size_bytes >= BATCH_BYTES:
                yield batch
                batch = Batch()
        if batch.rows:
            yield batch

    def _require_harmless(self, moved: MovedTable, number: int, stored: Sequence[Any], values: Values) -> None:
        """Raises NotMoved where questions would find another row than in the file."""
        places = zip(moved.columns, stored, values, strict=True)
        columns = [name for name, ours, theirs in places if ours != theirs and name not in ODD_MAY_BE]
        if not columns:
            return
        cure = "put a copy of the journal back"
        if moved.name in FOLLOWING:
            cure = f"it follows from facts, and pagereeve replay --data-dir {self._path.parent} makes it anew"
        raise NotMoved(
            f"journal {self._path} can't be moved: row {number} of table {moved.name} is damaged, and holds in "
            f"{', '.join(columns)} octets that are no text: {cure}. Then make the database anew (DROP DATABASE, CREATE "
            "DATABASE), and move again"
        )

    def is_odd(self, printer: str, seq: int) -> bool:
        """Is a fact's row one that the database takes only in another form?"""
        fact = next(one for one in MOVED if one.table is schema.fact)
        named = _select(fact, "printer = ? AND seq = ?")
        for _, *stored in _read(self._path, self._connection, named, printer, seq):
            for place, unpack in _unpacking(fact):
                stored[place] = unpack(stored[place])
            return storable_row(stored) != tuple(stored)
        return False

    def require_as_it_was(self) -> None:
        """Raises NotMoved where somebody wrote the file meanwhile."""
        if size_bytes(wal_path(self._path)) or digest_of_file(self._path) != self.journal.sha256:
            raise NotMoved(
                f"journal {self._path} was written to while it was moved: what stands in the database is no one moment "
                "of it. Stop whatever writes to it, make the database anew, and move it again"
            )


@contextmanager
def move_source(path: Path) -> Iterator[MoveSource]:
    """No daemon may have it open, nor start with it meanwhile. Raises CantOpen or one of its kinds, NotMoved."""
    path = path.resolve()
    if not path.is_file():
        raise CantOpen(path, "there is no such file, so there is nothing to move")
    lock = InstanceLock.take_as_it_is(path)
    try:
        _refuse_side_file(path)
        examine(path, accept_loss=False, new=False)
        try:
            with closing(
                sqlite3.connect(f"{path.as_uri()}?mode=ro&immutable=1", uri=True, isolation_level=None)
            ) as raw:
                raw.text_factory = ANY_TEXT
                _require_current(path, raw)
                origin, facts = _sealed(path, raw)
                _refuse_odd_types(path, raw)
                rows = {one.name: int(next(_read(path, raw, _count(one)))[0]) for one in MOVED}
                journal = MovedJournal(origin, facts, digest_of_file(path), size_bytes(path), rows)
                yield MoveSource(path, raw, journal)
        except sqlite3.Error as error:
            raise _cant_read(path, error) from error
    finally:
        if lock is not None:
            lock.release()


def digest_of_file(path: Path) -> str:
    """SHA-256, hex."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _refuse_side_file(path: Path) -> None:
    if size_bytes(wal_path(path)):
        raise CantOpen(
            path,
            f"its latest commits stand in {wal_path(path).name} beside it still, as after a daemon that was killed, "
            f"and a move changes none of its files. {_opened_once(path)}, then move it",
        )


def _opened_once(path: Path) -> str:
    return f"Run pagereeve replay --data-dir {path.parent} once, which opens and closes it as a daemon does"


def _require_current(path: Path, raw: sqlite3.Connection) -> None:
    tables = {str(row[0]) for row in raw.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
    if "alembic_version" not in tables or "fact" not in tables:
        raise NotAJournal(path, "holds no journal; name another folder")
    found = [str(row[0]) for row in raw.execute("SELECT version_num FROM alembic_version")]
    if found != [schema.REVISION]:
        raise NewerSchema(
            path,
            f"has schema {', '.join(found)}, not {schema.REVISION}, and a move changes nothing in it. If it is an "
            f"older one: {_opened_once(path)} and brings it up to date (take a copy first), then move it",
        )


def _sealed(path: Path, raw: sqlite3.Connection) -> tuple[str, int]:
    """The journal's id, and how many facts are sealed."""
    row = raw.execute("SELECT origin, size, older FROM seal").fetchone()
    if row is None or row[2] is None:
        raise CantOpen(path, f"not all of its facts are sealed yet. {_opened_once(path)}, then move it")
    return str(row[0]), int(row[1])


def _refuse_odd_types(path: Path, raw: sqlite3.Connection) -> None:
    """SQLite stores a value of any type in any column (sqlite.org/datatype3.html, section 3); other databases don't."""
    for moved in MOVED:
        wrong = " OR ".join(f"typeof({one.name}) NOT IN ({_types(one)})" for one in moved.table.columns)
        for number, *stored in _read(path, raw, _select(moved, f"({wrong})", "LIMIT 1")):
            allowed = zip(moved.table.columns, stored, strict=True)
            columns = [one.name for one, value in allowed if f"'{_typeof(value)}'" not in _types(one)]
            raise NotMoved(
                f"journal {path} is not moved: row {number} of table {moved.name} is damaged, and holds in "
                f"{', '.join(columns)} what no other database takes there. pagereeve verify says what else is wrong; "
                "put a copy of the journal back. Nothing was changed"
            )


def _types(column: Any) -> str:
    """As SQLite's ``typeof`` names them."""
    kinds = ["'text'"]
    if isinstance(column.type, Packed):
        kinds.append("'blob'")
    elif isinstance(column.type, LargeBinary):
        kinds = ["'blob'"]
    elif isinstance(column.type, Integer):
        kinds = ["'integer'"]
    return ", ".join([*kinds, "'null'"] if column.nullable else kinds)


def _typeof(value: object) -> str:
    if value is None:
        return "null"
    return {str: "text", int: "integer", bytes: "blob"}.get(type(value), "real")


def _unpacking(moved: MovedTable) -> Sequence[tuple[int, Callable[[Any], Any]]]:
    """By place, what turns a stored value into what the program sees."""
    columns = enumerate(moved.table.columns)
    return [(place, one.type.unpack) for place, one in columns if isinstance(one.type, Packed)]


def _never(_values: Sequence[Any]) -> bool:
    return False


def _fact_damaged(values: Sequence[Any]) -> bool:
    return not intact(values[_BODY], values[_DIGEST])


def _run_damaged(values: Sequence[Any]) -> bool:
    return Damage().run(*values) is None


_BODY, _DIGEST = (list(schema.fact.c).index(one) for one in (schema.fact.c.body, schema.fact.c.digest))
_DAMAGED: Final[Mapping[str, Callable[[Sequence[Any]], bool]]] = {"fact": _fact_damaged, "open_run": _run_damaged}


def _select(moved: MovedTable, where: str, more: str = "") -> str:
    columns = ", ".join(f'"{one}"' for one in moved.columns)
    only = f" AND {moved.only}" if moved.only else ""
    return f"SELECT rowid, {columns} FROM {_numbered(moved)} WHERE {where}{only} {more}"  # noqa: S608 - own names


def _numbered(moved: MovedTable) -> str:
    """Rows that have no numbers of their own are counted in the order of their key: the file stays as it is."""
    if moved.is_numbered:
        return f'"{moved.name}"'
    return f'(SELECT row_number() OVER (ORDER BY {", ".join(moved.key)}) AS rowid, * FROM "{moved.name}")'  # noqa: S608 - own names


def _count(moved: MovedTable) -> str:
    where = f" WHERE {moved.only}" if moved.only else ""
    return f'SELECT count(*) FROM "{moved.name}"{where}'  # noqa: S608 - own names


def _name_of(moved: MovedTable, number: int, values: Values) -> str:
    if moved.table is schema.fact:
        return f"{values[0] or 'the site'}: fact {values[1]} ({whole_kind(values[2])})"
    if moved.table is schema.open_run:
        return f"{values[0]}: {OPEN_RUN}"
    return f"table {moved.name}, row {number}"


def _read(path: Path, raw: sqlite3.Connection, statement: str, *values: Any) -> Iterator[Values]:
    """Raises CantOpen where the file can't be read."""
    try:
        yield from raw.execute(statement, values)
    except sqlite3.Error as error:
        raise _cant_read(path, error) from error


def _cant_read(path: Path, error: sqlite3.Error) -> CantOpen:
    if getattr(error, "sqlite_errorcode", 0) & 0xFF in {sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT}:
        return NotAJournal(path, f"{error}; restore it from a copy")
    return CantOpen(path, f"can't be read: {error}")
