"""Frozen rows as canonical JSON lines, and these as compressed parts of bounded size."""

from __future__ import annotations

import asyncio
import gzip
import hashlib
import json
from collections.abc import AsyncIterator, Iterator
from dataclasses import replace
from types import SimpleNamespace
from typing import Any, Final

from pagereeve.domain.accounts.frozen import (
    FrozenCharge,
    FrozenEdge,
    FrozenHead,
    FrozenHouse,
    FrozenLine,
    FrozenRow,
)
from pagereeve.domain.accounts.printer_accounts import EdgeStretch, PrinterAccounts
from pagereeve.domain.facts.closed import PeriodClosed
from pagereeve.domain.facts.owners import owner_key
from pagereeve.ports.closing import ClosedPeriod, Closing
from pagereeve.store.records.encoding import canonical_text
from pagereeve.store.records.ledger_records import charge_columns, charge_of, stretch_columns, stretch_of

PART_ROWS: Final = 2_000
_LEVEL: Final = 6
_LINE: Final = (
    *("printer", "channel", "unit", "meter_start", "meter_end", "meter_counted", "over_start", "over_end"),
    *("received", "releases_waiting", "pages_waiting"),
)
_HOUSE: Final = ("day", "printer", "channel", "unit", "account", "pages")


def row_line(row: FrozenRow) -> bytes:
    """One line, with its line feed. Raises BadCanonical."""
    return canonical_text(_members(row)).encode() + b"\n"


def _members(row: FrozenRow) -> dict[str, Any]:
    match row:
        case FrozenHead():
            return {"row": "head", "printer": row.printer, "seq": row.seq}
        case FrozenLine():
            return {"row": "line", **{name: getattr(row.accounts, name) for name in _LINE}}
        case FrozenEdge():
            stretch = row.edge.stretch
            members = {"row": "edge", "pages": row.edge.pages, "printer": stretch.printer, **stretch_columns(stretch)}
        case FrozenHouse():
            return {"row": "house", **{name: getattr(row, name) for name in _HOUSE}}
        case FrozenCharge():
            known = {"cost_centre": row.cost_centre, "day": row.day, "printer": row.charge.printer}
            members = {"row": "charge", **known, **charge_columns(row.charge)}
    return {name: str(value) if isinstance(value, str) else value for name, value in members.items()}


def row_of(line: bytes) -> FrozenRow:
    """The inverse of row_line. Raises ValueError, KeyError, TypeError or AttributeError for a line that is none."""
    members = json.loads(line)
    kind = members.pop("row")
    match kind:
        case "head":
            return FrozenHead(**members)
        case "line":
            return FrozenLine(PrinterAccounts(**members))
        case "edge":
            pages = members.pop("pages")
            return FrozenEdge(EdgeStretch(stretch_of(_row(members)), pages))
        case "house":
            return FrozenHouse(**members)
        case "charge":
            known = {name: members.pop(name) for name in ("cost_centre", "day")}
            return FrozenCharge(charge_of(_row(members)), **known)
    raise ValueError(f"{str(kind)[:20]!r} is no kind of frozen row")


def _row(members: dict[str, Any]) -> Any:
    """As the database would give it: columns by attribute."""
    return SimpleNamespace(**members)


class Packer:
    """Takes rows one by one; ``parts`` are complete once ``end`` was called."""

    def __init__(self) -> None:
        self.parts: list[bytes] = []
        self.rows = 0
        self._digest = hashlib.sha256()
        self._lines: list[bytes] = []

    def add(self, row: FrozenRow) -> bool:
        """Whether a part is full now: then call ``pack``, beside the loop if there is one."""
        line = row_line(row)
        self._digest.update(line)
        self._lines.append(line)
        self.rows += 1
        return len(self._lines) >= PART_ROWS

    def pack(self) -> None:
        if self._lines:
            self.parts.append(packed(self._lines))
            self._lines = []

    @property
    def sha256(self) -> str:
        return self._digest.hexdigest()


async def packed_rows(rows: AsyncIterator[FrozenRow]) -> Packer:
    """All of them, in parts; what takes long goes on beside the loop."""
    packer = Packer()
    async for row in rows:
        if packer.add(row):
            await asyncio.to_thread(packer.pack)
    packer.pack()
    return packer


def packed(lines: list[bytes]) -> bytes:
    return gzip.compress(b"".join(lines), _LEVEL, mtime=0)


def unpacked(part: bytes) -> list[bytes]:
    """The lines of a part. Raises OSError, EOFError or zlib.error for what is none."""
    return gzip.decompress(part).splitlines(keepends=True)


class Unpacker:
    """Takes parts in order; ``sha256`` is then that of all their lines."""

    def __init__(self) -> None:
        self.rows = 0
        self._digest = hashlib.sha256()

    def rows_of(self, part: bytes) -> Iterator[FrozenRow]:
        for line in unpacked(part):
            self._digest.update(line)
            self.rows += 1
            yield row_of(line)

    @property
    def sha256(self) -> str:
        return self._digest.hexdigest()


def without_owner(line: bytes, owner: str, name: str) -> bytes:
    """``name`` in the place of the owner, however it was written; the same line where it is of somebody else."""
    row = row_of(line)
    if isinstance(row, FrozenCharge) and owner_key(row.charge.owner) == owner_key(owner):
        return row_line(replace(row, charge=replace(row.charge, owner=name)))
    return line


def closed_fact(closed: ClosedPeriod) -> PeriodClosed:
    one = closed.closing
    members = {name: getattr(one, name) for name in Closing.__slots__}
    return PeriodClosed(**members, rows=closed.rows, sha256=closed.sha256)
