"""Which members were erased: a digest that a fact holds, so that nobody can erase more, or put another name there."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from typing import Final

from pagereeve.domain.values.canonical import canonical

ERASED: Final = "erased-"
"""What stands in the place of an erased value begins so; then the erasure's own digits, and perhaps a part's name."""
_ERASURE: Final = b"pagereeve erasure 1\n"

ErasedMembers = tuple[str, int, Sequence[str]]
"""A fact's timeline and number, and the names of its members that were erased, in order."""


def erasure_digest(facts: Iterable[ErasedMembers]) -> str:
    """SHA-256, hex, over a line of canonical JSON for each fact, by timeline and number."""
    digest = hashlib.sha256(_ERASURE)
    for timeline, seq, names in sorted(facts, key=lambda one: one[:2]):
        digest.update(canonical([timeline, seq, list(names)]) + b"\n")
    return digest.hexdigest()


def name_of_erasure(value: object) -> str:
    """Of what stands in the place of an erased value; "" where it is nothing of the kind."""
    parts = value.split("-") if isinstance(value, str) else []
    return "-".join(parts[:2]) if len(parts) > 1 and f"{parts[0]}-" == ERASED else ""
