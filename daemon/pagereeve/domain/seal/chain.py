"""A chain for each timeline, and what the Merkle tree holds of it. Each digest is of bytes that begin with its use."""

from __future__ import annotations

import hashlib
from functools import lru_cache
from typing import Final

from pagereeve.domain.values.canonical import canonical

_FACT: Final = b"pagereeve fact 1\n"
_TIMELINE: Final = b"pagereeve timeline 1\n"
_LINK: Final = b"pagereeve link 1\n"
_ENTRY: Final = b"pagereeve entry 1\n"


def fact_digest(content: bytes) -> bytes:
    """Of a fact's canonical bytes with its personal members as commitments."""
    return hashlib.sha256(_FACT + content).digest()


def first_link(origin: str, timeline: str) -> bytes:
    """What the first fact of a timeline is chained to: ``origin`` is the journal's id, ``timeline`` a printer or ""."""
    return hashlib.sha256(_TIMELINE + canonical([origin, timeline])).digest()


def next_link(previous: bytes, digest: bytes) -> bytes:
    return hashlib.sha256(_LINK + previous + digest).digest()


def entry(origin: str, timeline: str, seq: int, link: bytes) -> bytes:
    """What the tree holds of a fact: whose it is, its number, and the chain up to it."""
    return b'%s,%s,"%s"]' % (_entry_of(origin, timeline), canonical(seq), link.hex().encode())


@lru_cache(maxsize=4_096)
def _entry_of(origin: str, timeline: str) -> bytes:
    """What the entries of a timeline have in common: a busy journal asks for it with each fact."""
    return _ENTRY + canonical([origin, timeline])[:-1]
