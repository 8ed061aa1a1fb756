"""Where a fact's personal members stand in its body: noted when it is encoded, so that sealing needs not read it again.

Content that is sealed is the body with a commitment in the place of each. The order of an object's members hangs on
their names alone (RFC 8785, section 3.2.3), so that the text around them stays as it is.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import cache
from json.encoder import encode_basestring
from typing import Any, Final

from pagereeve.domain.facts.personal import personal_names
from pagereeve.domain.seal.commitments import COMMITMENT, SALT_BYTES, Openings, commitment_of_text

Spans = tuple[tuple[str, int, int], ...]
"""Of each personal member that a fact has, in the order of their openings: its name, and where its value stands in the
body, from the first character to before the second.
"""

_QUOTED: Final = encode_basestring
_NONE: Final = Openings(())


def personal_spans(members: Mapping[str, Any], kind: str, body: str, encode: Callable[[Any], str]) -> Spans | None:
    """``body`` is what ``encode`` wrote of the members. None where the text alone does not tell: then it must be read.

    A quotation mark within a text is escaped, so that ``"name":`` stands where a member of that name is, or where a
    name ends so that holds such a mark. Where it stands once, it is the member that the fact is known to have.
    """
    spans = list[tuple[str, int, int]]()
    for name, way, last, mark in _paths(kind):
        inner: Any = members
        for part in way:
            inner = inner.get(part) or {}
        value = inner.get(last)
        if value is None:
            continue
        text = _QUOTED(value) if type(value) is str else encode(value)
        start = body.find(mark) + len(mark)
        if body.count(mark) != 1 or not body.startswith(text, start):
            return None
        spans.append((name, start, start + len(text)))
    return tuple(spans)


@cache
def _paths(kind: str) -> tuple[tuple[str, tuple[str, ...], str, str], ...]:
    """Of each personal member: its name, the objects on the way to it, its own name in the last of them, its mark."""
    paths = []
    for name in personal_names(kind):
        *way, last = name.split(".")
        paths.append((name, tuple(way), last, f"{_QUOTED(last)}:"))
    return tuple(paths)


def spliced_content(body: str, spans: Spans, salts: Callable[[int], bytes]) -> tuple[bytes, Openings]:
    """The content of a fact that is sealed for the first time, and what opens it, as ``sealing.new_content`` says."""
    if not spans:
        return body.encode(), _NONE
    drawn = salts(SALT_BYTES * len(spans))
    committed = []
    for place, (name, start, end) in enumerate(spans):
        salt = drawn[SALT_BYTES * place : SALT_BYTES * (place + 1)]
        committed.append((start, end, commitment_of_text(salt, name, body[start:end]).hex()))
    return _spliced(body, committed).encode(), Openings.of_salts(drawn)


def _spliced(body: str, committed: Sequence[tuple[int, int, str]]) -> str:
    parts = list[str]()
    done = 0
    for start, end, digest in sorted(committed):
        parts += (body[done:start], f'{{"{COMMITMENT}":"{digest}"}}')
        done = end
    parts.append(body[done:])
    return "".join(parts)
