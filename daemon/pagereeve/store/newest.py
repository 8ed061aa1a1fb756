"""The newest commit, noted outside the database: a start that finds less than was acknowledged can be refused.

``journal.newest`` (of a journal in a database server ``journal-ORIGIN.newest``) holds two records of fixed size, each
with its own checksum and in a sector of its own; they are written in turn, so that a torn write costs the newer one
alone. It is written before each acknowledgement, and fsynced each second and at a clean stop. A killed process leaves
it with the kernel; a power cut can only let it lag.
"""

from __future__ import annotations

import errno
import hashlib
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from pagereeve.domain.facts.facts import JOURNAL_SOURCE, Loss, LossAccepted, Origin
from pagereeve.store.records.body_forms import unpacked_body
from pagereeve.store.records.digest_forms import unpacked_digest

SLOT_BYTES: Final = 512
"""A sector of the smallest disk: it is written whole or not at all (common practice, no source)."""
SLOTS: Final = 2
_WORD: Final = b"pagereeve-newest-1"
_CHECK_HEX: Final = 16
_FIELDS: Final = 6


@dataclass(frozen=True, slots=True)
class Newest:
    """``sequence`` counts the journal's facts in the order in which they were stored; ``digest`` is of the latest (in a
    database server its sealed link).
    """

    fence: int = 0
    sequence: int = 0
    digest: str = "-"


@dataclass(frozen=True, slots=True)
class NewestSeen:
    """``newest`` is None where no record can be read; ``number`` is that of the last write."""

    newest: Newest | None
    number: int = 0


@dataclass(frozen=True, slots=True)
class Found:
    """``loss`` is what the journal lacks of what was acknowledged, None where it lacks nothing."""

    seen: NewestSeen | None
    loss: Loss | None = None
    acknowledged: int = 0
    stored: int = 0

    @property
    def fence(self) -> int:
        """The latest that was noted; 0 where none was."""
        return 0 if self.seen is None or self.seen.newest is None else self.seen.newest.fence

    def fact(self, fence: int, at_us: int) -> LossAccepted:
        """That somebody went on without it. Raises ValueError where nothing is lost."""
        if self.loss is None:
            raise ValueError("nothing was lost")
        origin = Origin(JOURNAL_SOURCE, f"loss-{fence}", at_us, at_us)
        return LossAccepted(origin, self.loss, self.acknowledged, self.stored)


def digest_of(printer: str, seq: int, body: str | bytes, digest: str | bytes | None) -> str:
    """Of a fact's row (SHA-256, hex), as it is stored or as it is read.

    By the row's own digest, where it has one: a body that was damaged is still the row that was acknowledged.
    """
    mark = unpacked_digest(digest) or unpacked_body(body)
    return hashlib.sha256(f"{printer}\n{seq}\n{mark}".encode(errors="surrogateescape")).hexdigest()


def read_newest(path: Path) -> NewestSeen | None:
    """None where there is no such file. Raises OSError where it can't be read."""
    try:
        content = path.read_bytes()[: SLOTS * SLOT_BYTES]
    except FileNotFoundError:
        return None
    slots = (content[place : place + SLOT_BYTES] for place in range(0, SLOTS * SLOT_BYTES, SLOT_BYTES))
    seen = [one for slot in slots if (one := _read(slot)) is not None]
    return max(seen, key=lambda one: one.number, default=NewestSeen(None))


class NewestFile:
    """The open file. ``write`` and ``sync`` may run in two threads; each belongs to one."""

    def __init__(self, path: Path, descriptor: int, number: int) -> None:
        self.path = path
        self._descriptor = descriptor
        self._number = number
        self._synced = number

    @classmethod
    def open(cls, path: Path, seen: NewestSeen | None) -> NewestFile:
        """``seen`` is what ``read_newest`` said. Made where there is none, and then durable in its folder.

        Raises OSError.
        """
        if seen is None:
            _make(path)
        descriptor = os.open(path, os.O_RDWR | os.O_CLOEXEC)
        return cls(path, descriptor, 0 if seen is None else seen.number)

    def write(self, newest: Newest) -> None:
        """Raises OSError."""
        self._number += 1
        slot, record = (self._number % SLOTS) * SLOT_BYTES, _record(newest, self._number)
        written = os.pwrite(self._descriptor, record, slot)
        while written < SLOT_BYTES:
            # Why a write stopped short is what the next one says (write(2)).
            more = os.pwrite(self._descriptor, record[written:], slot + written)
            if not more:
                raise OSError(errno.EIO, "a write takes nothing and says no reason", str(self.path))
            written += more

    def sync(self) -> None:
        """Raises OSError."""
        number = self._number
        if number != self._synced:
            os.fdatasync(self._descriptor)
            self._synced = number

    def close(self) -> None:
        try:
            self.sync()
        finally:
            os.close(self._descriptor)


def _make(path: Path) -> None:
    """Whole, or not at all: a start that dies here leaves none."""
    draft = path.with_name(path.name + ".new")
    descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600)
    try:
        os.write(descriptor, _record(Newest(), 0) * SLOTS)
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    draft.rename(path)
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def _record(newest: Newest, number: int) -> bytes:
    """A line that people can read, filled up with blanks."""
    text = b"%s %d %d %d %s" % (_WORD, number, newest.fence, newest.sequence, newest.digest.encode())
    return (text + b" " + _check(text)).ljust(SLOT_BYTES - 1) + b"\n"


def _read(slot: bytes) -> NewestSeen | None:
    """None where it is torn, or none of ours."""
    fields = slot.split()
    if len(fields) != _FIELDS or len(slot) != SLOT_BYTES:
        return None
    if fields[0] != _WORD or _check(b" ".join(fields[:-1])) != fields[-1]:
        return None
    number, fence, sequence = (int(field) for field in fields[1:4])
    return NewestSeen(Newest(fence, sequence, fields[4].decode()), number)


def _check(text: bytes) -> bytes:
    return hashlib.sha256(text).hexdigest()[:_CHECK_HEX].encode()


def compared(seen: NewestSeen, fence: int, sequence: int, digest_at: Callable[[int], str | None]) -> Found:
    """With a journal whose latest fence and newest fact are these; ``digest_at`` reads what stands at a number."""
    noted = seen.newest
    if noted is None:
        return Found(seen, "unreadable-note", 0, sequence)
    loss: Loss | None = None
    if sequence < noted.sequence:
        loss = "fewer-facts"
    elif fence < noted.fence:
        loss = "older-copy"
    elif noted.sequence and digest_at(noted.sequence) != noted.digest:
        loss = "other-facts"
    return Found(seen, loss, noted.sequence, sequence)
