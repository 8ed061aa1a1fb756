"""The file of an archive, to the byte: gzip members (RFC 1952), each a part: facts of one printer, one a line.

A line is a fact's canonical JSON as it was stored, with its number as one member more at the end (``"seq"``): unpacked
by any tool, a file is one of facts (reports/facts_file.py). Where a part begins the journal says, and what its digest
is; the same facts give the same bytes.
"""

from __future__ import annotations

import gzip
import hashlib
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

PART_FACTS_MAX: Final = 4_096
PART_BYTES_MAX: Final = 16 * 2**20
"""Of a part, unpacked: a damaged one must not swell to more."""
LEVEL: Final = 9
_SEQ: Final = ',"seq":'
_END: Final = "}"
_DIGITS_MAX: Final = 16
_SLICE_BYTES: Final = 256
_WINDOW_BITS: Final = 31  # A gzip header and trailer (zlib.net/manual.html, inflateInit2).


class BadPart(ValueError):
    """Bytes that are no part of an archive, or not the one that was meant."""


@dataclass(frozen=True, slots=True)
class ArchivedBody:
    """A fact's number, and its body as the journal had it."""

    seq: int
    body: str


def can_be_archived(body: str) -> bool:
    """Does a line of it give the same body back? All do that this program writes."""
    if "\n" in body or len(body) <= len("{}") or not body.endswith(_END):
        return False
    return body.encode(errors="ignore").decode() == body


def packed_part(facts: Sequence[ArchivedBody]) -> bytes:
    """Raises BadPart where there are too many, or too much."""
    text = "".join(f"{one.body[:-1]}{_SEQ}{one.seq}{_END}\n" for one in facts).encode()
    if len(facts) > PART_FACTS_MAX or len(text) > PART_BYTES_MAX:
        raise BadPart(f"{len(facts)} facts of {len(text)} bytes are more than a part holds")
    return gzip.compress(text, LEVEL, mtime=0)


def unpacked_part(packed: bytes, sha256: str) -> list[ArchivedBody]:
    """Raises BadPart where its digest is another."""
    if hashlib.sha256(packed).hexdigest() != sha256:
        raise BadPart("its digest is not the one that was recorded")
    return list(readable_facts(packed))


def readable_facts(packed: bytes) -> Iterator[ArchivedBody]:
    """As many facts as can be read of it, in order: of a damaged part those before the damage, or none."""
    unpacking = zlib.decompressobj(_WINDOW_BITS)
    text = bytearray()
    try:
        # A slice at a time: what lies before damaged bytes still comes out.
        for start in range(0, len(packed), _SLICE_BYTES):
            text += unpacking.decompress(packed[start : start + _SLICE_BYTES], PART_BYTES_MAX + 1 - len(text))
            if unpacking.eof or len(text) > PART_BYTES_MAX:
                break
    except zlib.error:
        pass  # What came out so far is looked at; what is missing is missed by its number.
    yield from _facts(bytes(text).split(b"\n")[:-1])


def _facts(lines: Iterable[bytes]) -> Iterator[ArchivedBody]:
    for line in lines:
        head, divided, tail = line.decode(errors="surrogateescape").rpartition(_SEQ)
        number = tail.removesuffix(_END)
        if divided and tail.endswith(_END) and number.isascii() and number.isdigit() and len(number) <= _DIGITS_MAX:
            yield ArchivedBody(int(number), head + _END)
