"""Canonical JSON, judged by a library of other hands: rfc8785 (trailofbits/rfc8785.py).

The daemon keeps its own: the domain rests on the standard library alone, and ours is the faster one
(contrib/bench/canonical.py). Both write the same bytes for whatever both take, and refuse the same; what differs is the
class of the error: where a member's name is a lone surrogate, the library lets Python's own ValueError through.
"""

from __future__ import annotations

import struct
from typing import Any

import pytest
import rfc8785
from hypothesis import example, given
from hypothesis import strategies as st

from pagereeve.domain.values.canonical import SAFE_INTEGER, canonical
from pagereeve.domain.values.errors import BadCanonical
from pagereeve.store.records.encoding import canonical_text


def _double(bits: int) -> float:
    (value,) = struct.unpack(">d", bits.to_bytes(8, "big"))
    assert isinstance(value, float)
    return value


# Texts of every plane, controls and quotation marks among them more often than chance would have it.
TEXTS = st.text(st.characters(codec="utf-8") | st.sampled_from('\x00\x08\t\n\x0c\r\x1f"\\/\x7f\u2028\ufffe\U0001f600'))
# By their bits, so that every exponent is as likely as the other; and by value, so that short ones come up.
DOUBLES = st.integers(0, 2**64 - 1).map(_double) | st.floats()
FINITE = DOUBLES.filter(lambda value: abs(value) <= 1.7976931348623157e308)
ACCEPTED = st.none() | st.booleans() | st.integers(-SAFE_INTEGER, SAFE_INTEGER) | FINITE | TEXTS
ANY_TEXT = TEXTS | st.text(st.characters(), max_size=3)
BEYOND = st.integers() | st.sampled_from([SAFE_INTEGER + 1, -SAFE_INTEGER - 1, 2**64, -(2**2000)])
NO_JSON = st.binary(max_size=2) | st.frozensets(st.integers(), max_size=1) | st.just(1j)
ANYTHING = ACCEPTED | DOUBLES | ANY_TEXT | BEYOND | NO_JSON


def _nested(leaves: st.SearchStrategy[Any], names: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.recursive(
        leaves,
        lambda inner: st.lists(inner, max_size=4) | st.tuples(inner, inner) | st.dictionaries(names, inner, max_size=5),
        max_leaves=12,
    )


@given(_nested(ACCEPTED, TEXTS))
def test_the_bytes_are_those_of_the_library(value: Any) -> None:
    assert canonical(value) == rfc8785.dumps(value)
    assert canonical_text(value).encode() == rfc8785.dumps(value)


@given(FINITE)
@example(1e21)
@example(1e-7)
@example(5e-324)
def test_numbers_are_those_of_the_library(value: float) -> None:
    assert canonical(value) == rfc8785.dumps(value)


@given(_nested(ANYTHING, ANY_TEXT | st.integers(0, 9) | st.none()))
@example({"\ud800": 1})
@example([float("nan")])
@example({1: 2})
@example([SAFE_INTEGER + 1])
def test_what_the_library_refuses_is_refused_and_nothing_else(value: Any) -> None:
    try:
        judged = rfc8785.dumps(value)
    except ValueError:
        for write in (canonical, canonical_text):
            with pytest.raises(BadCanonical):
                write(value)
    else:
        assert canonical(value) == judged
        assert canonical_text(value).encode() == judged
