"""RFC 8785: its sample, its sort order, and the numbers of its appendix B.

Compared with the text of the RFC as its authors keep it: cyberphone/ietf-json-canon, xmlv3/rfc8785.xml.
"""

from __future__ import annotations

import json
import struct
from enum import Enum, StrEnum

import pytest

from pagereeve.domain.values.canonical import canonical, number_text
from pagereeve.domain.values.errors import BadCanonical

# RFC 8785 section 3.2.2: the sample, and section 3.2.4: its canonical bytes.
SAMPLE = r"""{
  "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
  "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
  "literals": [null, true, false]
}"""
SAMPLE_OUT = bytes.fromhex("""
    7b 22 6c 69 74 65 72 61 6c 73 22 3a 5b 6e 75 6c 6c 2c 74 72
    75 65 2c 66 61 6c 73 65 5d 2c 22 6e 75 6d 62 65 72 73 22 3a
    5b 33 33 33 33 33 33 33 33 33 2e 33 33 33 33 33 33 33 2c 31
    65 2b 33 30 2c 34 2e 35 2c 30 2e 30 30 32 2c 31 65 2d 32 37
    5d 2c 22 73 74 72 69 6e 67 22 3a 22 e2 82 ac 24 5c 75 30 30
    30 66 5c 6e 41 27 42 5c 22 5c 5c 5c 5c 5c 22 2f 22 7d
""")

# RFC 8785 appendix B, all rows that have a text: IEEE 754 bits and the text.
NUMBERS = [
    ("0000000000000000", "0"),
    ("8000000000000000", "0"),
    ("0000000000000001", "5e-324"),
    ("8000000000000001", "-5e-324"),
    ("7fefffffffffffff", "1.7976931348623157e+308"),
    ("ffefffffffffffff", "-1.7976931348623157e+308"),
    ("4340000000000000", "9007199254740992"),
    ("c340000000000000", "-9007199254740992"),
    ("4430000000000000", "295147905179352830000"),
    ("44b52d02c7e14af5", "9.999999999999997e+22"),
    ("44b52d02c7e14af6", "1e+23"),
    ("44b52d02c7e14af7", "1.0000000000000001e+23"),
    ("444b1ae4d6e2ef4e", "999999999999999700000"),
    ("444b1ae4d6e2ef4f", "999999999999999900000"),
    ("444b1ae4d6e2ef50", "1e+21"),
    ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
    ("3eb0c6f7a0b5ed8d", "0.000001"),
    ("41b3de4355555553", "333333333.3333332"),
    ("41b3de4355555554", "333333333.33333325"),
    ("41b3de4355555555", "333333333.3333333"),
    ("41b3de4355555556", "333333333.3333334"),
    ("41b3de4355555557", "333333333.33333343"),
    ("becbf647612f3696", "-0.0000033333333333333333"),
    ("43143ff3c1cb0959", "1424953923781206.2"),
]


def double(bits: str) -> float:
    (value,) = struct.unpack(">d", bytes.fromhex(bits))
    assert isinstance(value, float)
    return value


def test_the_sample_of_the_rfc() -> None:
    assert canonical(json.loads(SAMPLE)) == SAMPLE_OUT


def test_keys_sort_by_utf_16_units_and_not_by_code_points() -> None:
    """RFC 8785 section 3.2.3: its test data in the order that it gives."""
    keys = ["\u20ac", "\r", "\ufb33", "1", "\U0001f600", "\x80", "\u00f6"]
    written = json.loads(canonical({key: index for index, key in enumerate(keys)}))
    assert list(written) == ["\r", "1", "\x80", "\u00f6", "\u20ac", "\U0001f600", "\ufb33"]


@pytest.mark.parametrize(("bits", "text"), NUMBERS)
def test_numbers_of_appendix_b(bits: str, text: str) -> None:
    assert number_text(double(bits)) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        # ECMA-262, Number::toString: 21 digits before the point are the most, six zeros behind it too.
        (1e20, "100000000000000000000"),
        (1e21, "1e+21"),
        (1.5e21, "1.5e+21"),
        (1e-6, "0.000001"),
        (1.5e-6, "0.0000015"),
        (1e-7, "1e-7"),
        (1.5e-7, "1.5e-7"),
        (0.5, "0.5"),
        (-0.05, "-0.05"),
        (1.5, "1.5"),
        (-10.25, "-10.25"),
    ],
)
def test_numbers_where_their_form_changes(value: float, text: str) -> None:
    assert number_text(value) == text


@pytest.mark.parametrize("bits", ["7fffffffffffffff", "7ff0000000000000", "fff0000000000000"])
def test_what_is_no_number_is_refused(bits: str) -> None:
    """RFC 8785 appendix B (the first two) and section 3.2.2.3."""
    with pytest.raises(BadCanonical, match="no JSON number"):
        canonical([double(bits)])


@pytest.mark.parametrize(
    ("value", "problem"),
    [
        (2**53, "beyond"),
        (-(2**53), "beyond"),
        ("\ud800", "surrogate"),
        ({"\udead": 1}, "surrogate"),
        ({1: 2}, "name"),
        ({"a": {1, 2}}, "set"),
        (b"x", "bytes"),
    ],
)
def test_what_has_no_canonical_form_is_refused(value: object, problem: str) -> None:
    with pytest.raises(BadCanonical, match=problem):
        canonical(value)


def test_an_integer_too_long_for_python_to_write_is_refused_as_any_other() -> None:
    with pytest.raises(BadCanonical, match="an integer of 20001 bits is beyond"):
        canonical([2**20_000])


def test_arrays_keep_their_order_and_nothing_is_padded() -> None:
    assert canonical({"b": [3, 1, (2,)], "a": {"y": None, "x": True}}) == b'{"a":{"x":true,"y":null},"b":[3,1,[2]]}'


def test_the_largest_integers_that_json_carries_safely_are_written() -> None:
    assert canonical([2**53 - 1, -(2**53 - 1)]) == b"[9007199254740991,-9007199254740991]"


class Level(int, Enum):
    HIGH = 3


class Word(StrEnum):
    OPEN = "open"


def test_what_is_more_than_a_number_or_a_text_is_written_as_its_value() -> None:
    assert canonical({Word.OPEN: [Level.HIGH, Word.OPEN, True]}) == b'{"open":[3,"open",true]}'
