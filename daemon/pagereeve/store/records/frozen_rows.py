"""Frozen rows as canonical JSON lines, and these as compressed parts of bounded size."""

from __future__ import annotations

import asyncio
import gzip
import hashlib
import json
from collections.abc import AsyncIterator, Callable, Collection, Mapping
from dataclasses import replace
from types import SimpleNamespace
from typing import Any, Final

from pagereeve.domain.accounts.decisions import DecisionPosting
from pagereeve.domain.accounts.entries import Adjustment, Correction, EntryKey
from pagereeve.domain.accounts.frozen import (
    FrozenAdjustment,
    FrozenCharge,
    FrozenDecision,
    FrozenEdge,
    FrozenHead,
    FrozenHouse,
    FrozenLine,
    FrozenRow,
    FrozenSaid,
)
from pagereeve.domain.accounts.frozen_answers import FrozenAnswer, FrozenCost
from pagereeve.domain.accounts.printer_accounts import EdgeStretch, PrinterAccounts
from pagereeve.domain.facts.closed import PeriodClosed
from pagereeve.domain.facts.codec import from_json, to_json
from pagereeve.domain.facts.facts import Assigned, Fact, PagesDecided
from pagereeve.domain.facts.owners import owner_key
from pagereeve.domain.facts.people import MergeUndone, PeopleMerged, PersonNamed
from pagereeve.domain.ledger import is_person, owner_of, person
from pagereeve.ports.closing import ClosedPeriod, Closing
from pagereeve.ports.erasing import Erasure
from pagereeve.store.records.encoding import canonical_text
from pagereeve.store.records.frozen_answers import ANSWERS_MADE, answer_members
from pagereeve.store.records.ledger_records import charge_columns, charge_of, stretch_columns, stretch_of

PART_ROWS: Final = 2_000
_LEVEL: Final = 6
_LINE: Final = (
    *("printer", "channel", "unit", "meter_start", "meter_end", "meter_counted", "over_start", "over_end"),
    *("received", "releases_waiting", "pages_waiting"),
)
_OF_A_PRINTER: Final = frozenset({"line", "edge", "house", "charge"})
_KEY: Final = ("printer", "channel", "unit", "account", "source", "release")
_HOUSE: Final = ("day", "printer", "channel", "unit", "account", "pages")


def row_line(row: FrozenRow) -> bytes:
    """One line, with its line feed. Raises BadCanonical."""
    members = answer_members(row) if isinstance(row, FrozenAnswer) else _members(row)
    return canonical_text(members).encode() + b"\n"


def _members(row: FrozenRow) -> dict[str, Any]:  # noqa: PLR0911 - one for each kind of row
    match row:
        case FrozenHead():
            return {"row": "head", "printer": row.printer, "seq": row.seq}
        case FrozenAdjustment():
            return _adjustment_members(row.correction)
        case FrozenLine():
            return {"row": "line", **{name: getattr(row.accounts, name) for name in _LINE}}
        case FrozenEdge():
            stretch = row.edge.stretch
            members = {"row": "edge", "pages": row.edge.pages, "printer": stretch.printer, **stretch_columns(stretch)}
        case FrozenHouse():
            return {"row": "house", **{name: getattr(row, name) for name in _HOUSE}}
        case FrozenSaid():
            return {"row": "said", "fact": to_json(row.fact)}
        case FrozenDecision():
            return _decision_members(row)
        case FrozenCharge():
            known = {"cost_centre": row.cost_centre, "day": row.day, "printer": row.charge.printer}
            members = {"row": "charge", **known, **charge_columns(row.charge)}
    return {name: _plain(value) for name, value in members.items()}


def row_of(line: bytes) -> FrozenRow:
    """The inverse of row_line. Raises ValueError, KeyError, TypeError or AttributeError for a line that is none."""
    return _made(json.loads(line))


def of_printers(line: bytes, printers: Collection[str]) -> FrozenRow | None:
    """None of a row of another printer, which takes longest to make: of accounts, house, edges or charges."""
    members = json.loads(line)
    if members["row"] in _OF_A_PRINTER and members["printer"] not in printers:
        return None
    return _made(members)


def _made(members: dict[str, Any]) -> FrozenRow:
    kind = members.pop("row")
    make = _MADE.get(kind)
    if make is None:
        raise ValueError(f"{str(kind)[:20]!r} is no kind of frozen row")
    return make(members)


def _edge_of(members: dict[str, Any]) -> FrozenEdge:
    pages = members.pop("pages")
    return FrozenEdge(EdgeStretch(stretch_of(_row(members)), pages))


def _charge_of(members: dict[str, Any]) -> FrozenCharge:
    known = {name: members.pop(name) for name in ("cost_centre", "day")}
    return FrozenCharge(charge_of(_row(members)), **known)


def _adjustment_members(one: Correction) -> dict[str, Any]:
    adjustment, key = one.adjustment, one.adjustment.key
    figures = {"was": adjustment.was, "now": adjustment.now, "at_us": adjustment.at_us}
    known = {"row": "adjustment", "corrects": one.corrects, "cost_centre": one.cost_centre}
    return known | {name: getattr(key, name) for name in _KEY} | figures


def _adjustment_of(members: dict[str, Any]) -> FrozenAdjustment:
    key = EntryKey(*(members[name] for name in _KEY))
    adjustment = Adjustment(key, members["was"], members["now"], members["at_us"])
    return FrozenAdjustment(Correction(members["corrects"], adjustment, members["cost_centre"]))


def _decision_members(row: FrozenDecision) -> dict[str, Any]:
    posting = row.posting
    charge = None if posting.charge is None else {"printer": posting.charge.printer, **charge_columns(posting.charge)}
    return {
        "row": "decision",
        "decided": to_json(posting.decided),
        "unit": posting.unit,
        "at_us": posting.at_us,
        "legs": [list(leg) for leg in posting.legs],
        "unproven": posting.unproven,
        "charge": None if charge is None else {name: _plain(value) for name, value in charge.items()},
        "day": row.day,
    }


def _decision_of(members: dict[str, Any]) -> FrozenDecision:
    decided = from_json(members["decided"])
    if not isinstance(decided, PagesDecided):
        raise TypeError("a frozen decision holds another fact")
    charge = None if members["charge"] is None else charge_of(_row(members["charge"]))
    legs = tuple((account, pages) for account, pages in members["legs"])
    posting = DecisionPosting(decided, members["unit"], members["at_us"], legs, members["unproven"], charge)
    return FrozenDecision(posting, members["day"])


def _plain(value: Any) -> Any:
    return str(value) if isinstance(value, str) else value


_MADE: Final[Mapping[str, Callable[[dict[str, Any]], FrozenRow]]] = {
    **ANSWERS_MADE,
    "head": lambda members: FrozenHead(**members),
    "adjustment": _adjustment_of,
    "line": lambda members: FrozenLine(PrinterAccounts(**members)),
    "edge": _edge_of,
    "house": lambda members: FrozenHouse(**members),
    "said": lambda members: FrozenSaid(from_json(members["fact"])),
    "decision": _decision_of,
    "charge": _charge_of,
}


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

    def rows_of(self, part: bytes, printers: Collection[str] | None = None) -> list[FrozenRow]:
        """All, or without those that ``of_printers`` leaves out; counted and digested are all."""
        found: list[FrozenRow] = []
        for line in unpacked(part):
            self._digest.update(line)
            self.rows += 1
            row = row_of(line) if printers is None else of_printers(line, printers)
            if row is not None:
                found.append(row)
        return found

    @property
    def sha256(self) -> str:
        return self._digest.hexdigest()


def without_person(line: bytes, erasure: Erasure) -> bytes:
    """The erasure's name in the place of the person's; the same line where it is of others."""
    row = row_of(line)
    match row:
        case FrozenCharge() if owner_key(row.charge.owner) in erasure.keys:
            return row_line(replace(row, charge=replace(row.charge, owner=erasure.name)))
        case FrozenAdjustment():
            return row_line(_adjustment_without(row, erasure))
        case FrozenSaid():
            return row_line(FrozenSaid(_said_without(row.fact, erasure)))
        case FrozenDecision():
            return row_line(_decision_without(row, erasure))
        case FrozenCost(by="person") if owner_key(row.who) in erasure.keys:
            return row_line(replace(row, who=erasure.name))
        case _:
            return line


def _adjustment_without(row: FrozenAdjustment, erasure: Erasure) -> FrozenAdjustment:
    one = row.correction
    key = one.adjustment.key
    if not is_person(key.account) or owner_key(owner_of(key.account)) not in erasure.keys:
        return row
    adjustment = replace(one.adjustment, key=replace(key, account=person(erasure.name)))
    return FrozenAdjustment(replace(one, adjustment=adjustment))


def _said_without(fact: Fact, erasure: Erasure) -> Fact:
    """A cost centre names nobody, and stays."""
    match fact:
        case Assigned() if owner_key(fact.owner) in erasure.keys:
            return replace(fact, owner=erasure.name)
        case PersonNamed() if fact.person in erasure.persons and fact.word != "cost_centre":
            return replace(fact, text=erasure.name)
        case PeopleMerged() | MergeUndone() if not {fact.person, fact.into}.isdisjoint(erasure.persons):
            return replace(fact, reason=erasure.name)
        case _:
            return fact


def _decision_without(row: FrozenDecision, erasure: Erasure) -> FrozenDecision:
    def other(text: str) -> str:
        return erasure.name if owner_key(text) in erasure.keys else text

    posting, decided = row.posting, row.posting.decided
    charge = None if posting.charge is None else replace(posting.charge, owner=other(posting.charge.owner))
    legs = tuple((person(other(owner_of(leg))) if is_person(leg) else leg, pages) for leg, pages in posting.legs)
    said = decided.said
    said = replace(said, to_name=other(said.to_name)) if said.to == "person" else said
    decided = replace(decided, said=said)
    return replace(row, posting=replace(posting, decided=decided, legs=legs, charge=charge))


def closed_fact(closed: ClosedPeriod) -> PeriodClosed:
    one = closed.closing
    members = {name: getattr(one, name) for name in Closing.__slots__}
    return PeriodClosed(**members, rows=closed.rows, sha256=closed.sha256)
