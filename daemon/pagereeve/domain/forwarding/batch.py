"""A batch of sealed facts as bytes: lines of canonical JSON (RFC 8785), each ended by a line feed.

The first line is the head, each other one a fact, in the order in which the origin sealed them. What the members mean
stands in ../seal/README.md ("What a site forwards").
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from pagereeve.domain.forwarding.refusal import BatchRefused
from pagereeve.domain.values.canonical import SAFE_INTEGER, canonical
from pagereeve.domain.values.errors import BadCanonical

VERSION: Final = 1
FACTS_MAX: Final = 512
FULL_BYTES: Final = 1024 * 1024
"""A sender puts no further fact into a batch that has so many."""
BATCH_MAX_BYTES: Final = 4 * FULL_BYTES
"""More is refused. A single fact that is larger than a full batch goes alone."""
NAME_MAX: Final = 1_024
OPENINGS_MAX: Final = 4_096
_ORIGIN: Final = re.compile(r"[0-9a-f]{32}")
_LINK: Final = re.compile(r"[0-9a-f]{64}")
_HEAD: Final = frozenset({"after", "forward", "last", "links", "origin", "site", "size"})
_SEALED: Final = frozenset({"link", "seq", "timeline"})
_FACT: Final = _SEALED | {"body", "openings"}


@dataclass(frozen=True, slots=True)
class SealedPlace:
    """What is sealed under a place: number ``seq`` of a timeline, and the chain up to it."""

    timeline: str
    seq: int
    link: bytes


@dataclass(frozen=True, slots=True)
class SealedBody:
    """A fact as it is sent. ``body`` is its canonical JSON, ``openings`` what opens its commitments, as stored.

    ``body`` None: its row is gone from the journal, or can't be read; its link alone keeps the chain.
    """

    sealed: SealedPlace
    body: str | None
    openings: str = ""


@dataclass(frozen=True, slots=True)
class Batch:
    """Facts of one origin, those behind the place ``after`` of its seal; without any it only asks what is held.

    ``size`` is how many are sealed there now. ``last`` is what is sealed under ``after``, None where that is 0.
    ``links`` are, of each timeline of the batch, the link before its first fact in it.
    """

    origin: str
    site: str
    after: int
    size: int
    last: SealedPlace | None = None
    links: Mapping[str, bytes] = field(default_factory=dict)
    facts: Sequence[SealedBody] = ()


def batch_bytes(batch: Batch) -> bytes:
    """The same bytes for the same batch. Raises BadCanonical for what has no canonical form."""
    head = {
        "forward": VERSION,
        "origin": batch.origin,
        "site": batch.site,
        "after": batch.after,
        "size": batch.size,
        "last": None if batch.last is None else _members(batch.last),
        "links": {timeline: link.hex() for timeline, link in batch.links.items()},
    }
    return b"".join([canonical(head), b"\n", *(fact_line(one) for one in batch.facts)])


def fact_line(one: SealedBody) -> bytes:
    """A fact's line. Raises BadCanonical."""
    return canonical({**_members(one.sealed), "body": one.body, "openings": one.openings}) + b"\n"


def _members(sealed: SealedPlace) -> dict[str, Any]:
    return {"timeline": sealed.timeline, "seq": sealed.seq, "link": sealed.link.hex()}


def read_batch(raw: bytes) -> Batch:
    """The inverse of ``batch_bytes``: strict, since the sender is a program of ours. Raises BatchRefused."""
    if len(raw) > BATCH_MAX_BYTES:
        raise BatchRefused("too-large", f"a batch of {len(raw)} bytes; {BATCH_MAX_BYTES} at most")
    if not raw.endswith(b"\n"):
        raise BatchRefused("malformed", "the batch does not end with a whole line; send all of it")
    lines = raw[:-1].split(b"\n")
    if len(lines) - 1 > FACTS_MAX:
        raise BatchRefused("too-large", f"a batch of {len(lines) - 1} facts; {FACTS_MAX} at most")
    head = _object(lines[0], 1)
    if head.get("forward") != VERSION or isinstance(head.get("forward"), bool):
        said = repr(head.get("forward"))[:40]
        raise BatchRefused("unknown-version", f"format {said} is not known here, {VERSION} is; upgrade the older side")
    _only(head, _HEAD, 1)
    batch = Batch(
        origin=_matching(head, "origin", _ORIGIN, 1),
        site=_text(head, "site", 1, least=1),
        after=_number(head, "after", 1),
        size=_number(head, "size", 1),
        last=None if head["last"] is None else _sealed(_of_object(head, "last", 1), 1),
        links={_name(name): _digest(link, 1) for name, link in _of_object(head, "links", 1).items()},
        facts=tuple(_fact(_object(line, place), place) for place, line in enumerate(lines[1:], start=2)),
    )
    _require_fitting(batch)
    return batch


def _require_fitting(batch: Batch) -> None:
    """What the head says of the facts must be what the facts are. Raises BatchRefused."""
    if (batch.last is None) != (batch.after == 0):
        raise BatchRefused("malformed", "last must be there unless after is 0")
    if batch.after + len(batch.facts) > batch.size:
        raise BatchRefused("malformed", "size is less than the places that the batch names")
    if batch.links.keys() != {one.sealed.timeline for one in batch.facts}:
        raise BatchRefused("malformed", "links must name the timelines of the facts, each once, and no others")


def _fact(members: dict[str, Any], line: int) -> SealedBody:
    _only(members, _FACT, line)
    body = members["body"]
    if body is not None and not isinstance(body, str):
        raise _bad(line, "body must be a text, or null")
    openings = _text(members, "openings", line, most=OPENINGS_MAX)
    return SealedBody(_sealed({name: members[name] for name in _SEALED}, line), body, openings)


def _sealed(members: dict[str, Any], line: int) -> SealedPlace:
    _only(members, _SEALED, line)
    seq = _number(members, "seq", line)
    if seq == 0:
        raise _bad(line, "seq counts from 1")
    return SealedPlace(_text(members, "timeline", line), seq, _digest(members["link"], line))


def _object(line: bytes, number: int) -> dict[str, Any]:
    """A line's members, which must be canonical: so that a name can't be there twice, and two readers agree."""
    try:
        members = json.loads(line.decode())
        exact = isinstance(members, dict) and canonical(members) == line
    except (ValueError, RecursionError, BadCanonical):
        raise _bad(number, "is no canonical JSON object (RFC 8785)") from None
    if not exact:
        raise _bad(number, "is no canonical JSON object (RFC 8785)")
    found: dict[str, Any] = members
    return found


def _only(members: dict[str, Any], known: frozenset[str], line: int) -> None:
    if members.keys() != known:
        raise _bad(line, f"must have the members {', '.join(sorted(known))}, and no others")


def _of_object(members: dict[str, Any], name: str, line: int) -> dict[str, Any]:
    value = members[name]
    if not isinstance(value, dict):
        raise _bad(line, f"{name} must be an object")
    return value


def _text(members: dict[str, Any], name: str, line: int, *, least: int = 0, most: int = NAME_MAX) -> str:
    value = members[name]
    if not isinstance(value, str) or not least <= len(value) <= most:
        raise _bad(line, f"{name} must be a text of {least} to {most} characters")
    return value


def _name(text: str) -> str:
    if len(text) > NAME_MAX:
        raise _bad(1, f"a timeline's name has {NAME_MAX} characters at most")
    return text


def _number(members: dict[str, Any], name: str, line: int) -> int:
    value = members[name]
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= SAFE_INTEGER:
        raise _bad(line, f"{name} must be a whole number from 0 on")
    return value


def _matching(members: dict[str, Any], name: str, pattern: re.Pattern[str], line: int) -> str:
    value = members[name]
    if not isinstance(value, str) or pattern.fullmatch(value) is None:
        raise _bad(line, f"{name} must be lower-case hexadecimal digits, as the seal writes them")
    return value


def _digest(value: Any, line: int) -> bytes:
    if not isinstance(value, str) or _LINK.fullmatch(value) is None:
        raise _bad(line, "a link must be 64 lower-case hexadecimal digits")
    return bytes.fromhex(value)


def _bad(line: int, problem: str) -> BatchRefused:
    return BatchRefused("malformed", f"line {line}: {problem}")
