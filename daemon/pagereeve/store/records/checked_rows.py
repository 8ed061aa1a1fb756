"""A stored row is read back only as what was written: its digest is compared with its body each time.

``digest`` holds, for an event, the digest of the claim by which a second delivery is known; then a colon; then that of
the body (the first DIGEST_HEX digits of SHA-256; in rows of before all of them, in rows of before these no colon, and
only what can't be read is found in them).
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from typing import Final, Protocol

from pagereeve.domain.facts.facts import Fact, FactDamaged, PlateauRead, ReadFailed
from pagereeve.domain.facts.sites import of_site, site_of
from pagereeve.domain.values.errors import BadFact
from pagereeve.ports.journal import DamagedRow
from pagereeve.store.records.body_forms import packed_body
from pagereeve.store.records.digest_forms import DIGEST_HEX, packed_digest
from pagereeve.store.records.fact_record import FactRecord, fact_of, file, run_of

DAMAGED_MAX: Final = 1_000
"""So many damaged rows are named; of a journal with more, nobody needs the rest to know what to do."""
OPEN_RUN: Final = "open run"
_DIVIDER: Final = ":"
_LENGTHS: Final = frozenset({DIGEST_HEX, 64})
_LINE: Final = "\n"


class FactRow(Protocol):
    printer: str
    seq: int
    kind: str
    at_us: int
    body: str
    digest: str | None
    shift_us: int | None
    origin: int


def digest_text(record: FactRecord) -> str:
    """What is stored as the digest of a row."""
    return f"{(record.digest or '')[:DIGEST_HEX]}{_DIVIDER}{_digest(record.body)[:DIGEST_HEX]}"


def file_packed(fact: Fact) -> FactRecord:
    """``file``, and packed besides: by whoever hands it in, while the writer's thread waits for the disk."""
    record = file(fact)
    record.packed = (packed_body(record.body), packed_digest(digest_text(record)))
    return record


def digest_of_body(body: str) -> str:
    """What is stored as the digest of a row whose claim was erased: a second delivery is known by its identity then."""
    return f"{_DIVIDER}{_digest(body)[:DIGEST_HEX]}"


def claim_of(digest: str) -> str:
    """The digest of an event's claim, from what is stored."""
    return digest.partition(_DIVIDER)[0]


def same_claim(stored: str, digest: str) -> bool:
    """Is a stored claim's digest that of a claim? Of one that was erased ("") nothing is left to compare."""
    return _fits(digest, stored)


def _fits(digest: str, stored: str) -> bool:
    """The whole digest, or its first half."""
    return len(stored) in _LENGTHS and digest.startswith(stored)


def intact(body: str, digest: str | None) -> bool:
    """True also where no digest of the body is known."""
    _, divided, wanted = (digest or "").partition(_DIVIDER)
    return not divided or _fits(_digest(body), wanted)


def signed_run(body: str) -> str:
    """The body of an open run with its digest, in a line of its own: canonical JSON holds no line feed."""
    return f"{body}{_LINE}{_digest(body)}"


def _digest(body: str) -> str:
    return hashlib.sha256(body.encode(errors="surrogateescape")).hexdigest()


@dataclass(slots=True)
class Damage:
    """The rows that were found damaged, each once."""

    rows: dict[DamagedRow, None] = field(default_factory=dict)

    def fact(self, row: FactRow) -> Fact:
        """The row's fact, or a FactDamaged in its place."""
        return self._read(row, row.shift_us or 0)

    def said(self, row: FactRow) -> Fact:
        """The row's fact with the dates under which it was stored, or a FactDamaged in its place."""
        return self._read(row, 0)

    def _read(self, row: FactRow, shift_us: int) -> Fact:
        if intact(row.body, row.digest):
            try:
                fact = fact_of(row.body, shift_us)
            except (BadFact, ValueError, TypeError, KeyError, RecursionError):
                pass
            else:
                if row.origin:
                    fact = of_site(fact, site_of(row.printer))
                if fact.printer == row.printer:
                    return fact
        self.note(DamagedRow(row.printer, row.seq, row.kind))
        return FactDamaged(row.printer, row.at_us, row.seq, row.kind)

    def whole(self, row: FactRow) -> Fact | None:
        """The row's fact; None where the row is damaged."""
        fact = self.fact(row)
        return None if isinstance(fact, FactDamaged) else fact

    def run(self, printer: str, stored: str) -> PlateauRead | ReadFailed | None:
        """An open run; None where its row is damaged."""
        body, divided, wanted = stored.partition(_LINE)
        if not divided or _digest(body) == wanted:
            try:
                run = run_of(body)
            except (BadFact, ValueError, TypeError, KeyError, RecursionError):
                pass
            else:
                if run.printer == printer:
                    return run
        self.note(DamagedRow(printer, 0, OPEN_RUN))
        return None

    def note(self, row: DamagedRow) -> None:
        if len(self.rows) < DAMAGED_MAX:
            self.rows[row] = None
