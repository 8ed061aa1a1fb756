"""What is sealed of a fact's row: its content as bytes, its link in the chain, its place in the tree."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Final

from pagereeve.domain.facts.personal import kind_of, personal_names
from pagereeve.domain.seal.chain import entry, fact_digest, first_link, next_link
from pagereeve.domain.seal.commitments import COMMITMENT, SALT_BYTES, Openings, commitment, present, sealed_members
from pagereeve.domain.seal.merkle import Frontier, leaf_hash
from pagereeve.domain.values.errors import BadCanonical
from pagereeve.store.records.encoding import canonical_text
from pagereeve.store.records.fact_record import FactRecord
from pagereeve.store.records.personal_spans import spliced_content

Salts = Callable[[int], bytes]
"""So many random bytes; in a test others."""
ORIGIN_BYTES: Final = 16
OWN_ORIGIN: Final = 0
"""The number, among origins, of the journal itself."""
_NONE: Final = Openings(())


@dataclass(frozen=True, slots=True)
class SealedFact:
    """``position`` counts all sealed facts from 1, in the order in which they were; ``openings`` as text."""

    position: int
    printer: str
    seq: int
    link: bytes
    openings: str = ""


@dataclass(slots=True)
class SealState:
    """``links`` are the latest of the timelines that are known already."""

    origin: str
    tree: Frontier = field(default_factory=Frontier)
    links: dict[str, bytes] = field(default_factory=dict)

    def add(self, printer: str, seq: int, link: bytes, openings: Openings) -> SealedFact:
        self.links[printer] = link
        self.tree.add(leaf_hash(entry(self.origin, printer, seq, link)))
        return SealedFact(self.tree.size, printer, seq, link, str(openings))


def new_origin(salts: Salts) -> str:
    """The id of a journal: random, 32 hexadecimal digits."""
    return salts(ORIGIN_BYTES).hex()


def new_content(body: str, kind: str, salts: Salts) -> tuple[bytes, Openings]:
    """The content of a fact that is sealed for the first time, and what opens it.

    What can't be read is sealed as it is: it stays as damaged as it was.
    """
    if not personal_names(kind):
        return _bytes(body), _NONE
    try:
        members = json.loads(body)
        held = _held(members, kind)
        drawn = salts(SALT_BYTES * len(held)) if held else b""
        for place, (name, inner, last) in enumerate(held):
            salt = drawn[SALT_BYTES * place : SALT_BYTES * (place + 1)]
            inner[last] = {COMMITMENT: commitment(salt, name, inner[last]).hex()}
        return canonical_text(members).encode(), Openings.of_salts(drawn)
    except (ValueError, TypeError, AttributeError, BadCanonical, RecursionError):
        return _bytes(body), _NONE


@cache
def _paths(kind: str) -> tuple[tuple[str, tuple[str, ...], str], ...]:
    """Of each personal member: its name, the objects on the way to it, its own name in the last of them."""
    return tuple((name, tuple(name.split(".")[:-1]), name.rpartition(".")[2]) for name in personal_names(kind))


def _held(members: Any, kind: str) -> list[tuple[str, dict[str, Any], str]]:
    """Those that the fact has, as ``present`` says, each with the object that holds it: here it is replaced in place,
    which takes a third of the time of a copy.
    """
    held = []
    for name, way, last in _paths(kind):
        inner = members
        for part in way:
            inner = inner.get(part) if type(inner) is dict else None
        if type(inner) is dict and inner.get(last) is not None:
            held.append((name, inner, last))
    return held


def content_of(body: str, openings: str) -> bytes | None:
    """The content of a stored row; None where it and its openings are not one another's."""
    try:
        members = json.loads(body)
        names = present(members, personal_names(kind_of(members)))
        if not names:
            return None if openings else _bytes(body)
        known = Openings.parsed(openings)
        # An older version may have known fewer of them as personal; without its openings the content is another.
        return canonical_text(sealed_members(members, names[: len(known)], known)).encode()
    except (ValueError, TypeError, AttributeError, BadCanonical, RecursionError):
        return None if openings else _bytes(body)


def seal(
    state: SealState, facts: Iterable[tuple[str, int, str, str]], previous: Callable[[str], bytes | None], salts: Salts
) -> list[SealedFact]:
    """Facts as (printer, number, kind, body), in order. ``previous`` is asked for the last link of a timeline that is
    not known; None where it has none. The state moves on.
    """
    return [_next(state, printer, seq, new_content(body, kind, salts), previous) for printer, seq, kind, body in facts]


def seal_filed(
    state: SealState, facts: Iterable[tuple[int, FactRecord]], previous: Callable[[str], bytes | None], salts: Salts
) -> list[SealedFact]:
    """As ``seal``, of numbered facts that were just encoded: what was noted then spares reading their bodies again."""
    sealed = []
    for seq, record in facts:
        if record.openings is not None:
            content = (
                content_of(record.body, record.openings) or _bytes(record.body),
                Openings.parsed(record.openings),
            )
        elif record.spans is None:
            content = new_content(record.body, record.kind, salts)
        else:
            content = spliced_content(record.body, record.spans, salts)
        sealed.append(_next(state, record.printer, seq, content, previous))
    return sealed


def _next(
    state: SealState,
    printer: str,
    seq: int,
    content: tuple[bytes, Openings],
    previous: Callable[[str], bytes | None],
) -> SealedFact:
    link = state.links.get(printer) or previous(printer) or first_link(state.origin, printer)
    return state.add(printer, seq, next_link(link, fact_digest(content[0])), content[1])


def _bytes(body: str) -> bytes:
    return body.encode(errors="surrogateescape")
