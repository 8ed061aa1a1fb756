"""Strict JSON at the door. Cases are named by the public thread that they come from."""

from __future__ import annotations

import json

import pytest

from pagereeve.feeds.http import strict_json as strictjson
from pagereeve.feeds.refusals import Refusal


def refusal(body: bytes, **limits: int) -> Refusal:
    with pytest.raises(Refusal) as caught:
        strictjson.parse(body, **limits)
    return caught.value


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1e400", "-1e400"])
def test_a_number_that_is_none_is_refused_with_its_place(number: str) -> None:
    """matrix-org/synapse#8106, ProjectCuillin/nats-sinks#67: NaN and Infinity."""
    found = refusal(f'{{"pages": {number}}}'.encode())
    assert found.reason == "bad-json"
    assert found.where == "line 1, column 11"


@pytest.mark.parametrize(
    ("text", "value"), [("-1", -1), ("true", True), ("12.0", 12.0), ("3.0e2", 300.0), ('"12"', "12")]
)
def test_what_is_json_keeps_its_type_for_the_schema_to_judge(text: str, value: object) -> None:
    """matrix-org/synapse#8106: these are JSON; the event's fields refuse them."""
    parsed = strictjson.parse(f'{{"pages": {text}}}'.encode())
    assert parsed == {"pages": value}
    assert type(parsed["pages"]) is type(value)


def test_one_byte_order_mark_is_stripped() -> None:
    """Arokha/EP2-Data#5: a byte order mark."""
    assert strictjson.parse(bytes.fromhex("EFBBBF7B7D")) == {}
    assert refusal(bytes.fromhex("EFBBBFEFBBBF7B7D")).reason == "bad-json"


def test_broken_utf8_is_refused_with_its_bytes_in_hex() -> None:
    """Arokha/EP2-Data#5: a byte order mark."""
    found = refusal(bytes.fromhex("7B22C328227D"))
    assert found.where == "byte 2"
    assert "c3" in found.problem


@pytest.mark.parametrize(
    "body", [b"", b" ", b"{", b'{"a":}', b"{} {}", b"[1,]", b"'a'", b"\x00", b'"\n"', b"01", b"+1"]
)
def test_what_is_no_json_is_refused(body: bytes) -> None:
    found = refusal(body)
    assert found.reason == "bad-json"
    assert found.where.startswith("line ")


def test_the_place_counts_lines_and_columns() -> None:
    assert refusal(b'{"a": 1,\n  "b": NaN}').where == "line 2, column 8"


def test_the_place_is_outside_of_strings() -> None:
    assert refusal(b'{"say \\"NaN\\" \\\\": "NaN", "b": NaN}').where == "line 1, column 32"


def test_a_member_named_twice_is_refused() -> None:
    found = refusal(b'{"pages": 1, "pages": 2}')
    assert found.where == "member 'pages'"
    assert refusal(b'[{"data": {"a": 1, "\\u0061": 2}}]').where == "member 'a'"


@pytest.mark.parametrize("number", [str(2**53), str(-(2**53)), "9" * 400, "-" + "9" * 5000])
def test_an_unsafe_integer_is_refused_and_never_repeated(number: str) -> None:
    """RFC 7493 section 2.2. A seven-byte badge number sent as a number is one (ISO/IEC 14443)."""
    found = refusal(f'{{"badge": {number}}}'.encode())
    assert "2^53 - 1" in found.problem
    assert number[:16] not in str(found)


def test_the_largest_safe_integer_is_taken() -> None:
    assert strictjson.parse(str(2**53 - 1).encode()) == 2**53 - 1
    assert strictjson.parse(str(1 - 2**53).encode()) == 1 - 2**53


@pytest.mark.parametrize(
    "text", [r'"\ud800"', r'"\udc00\ud800"', r'"a\uDBFFb"', r'{"\udfff": 1}', r'"\ud83d\ud83d\ude00"']
)
def test_a_lone_surrogate_is_refused(text: str) -> None:
    """RFC 7493 section 2.1."""
    assert "lone surrogate" in refusal(text.encode()).problem


@pytest.mark.parametrize(("text", "value"), [(r'"\ud83d\ude00"', "😀"), (r'"\\ud800"', r"\ud800"), (r'"\u00e9"', "é")])
def test_whole_characters_and_escaped_backslashes_are_taken(text: str, value: str) -> None:
    assert strictjson.parse(text.encode()) == value


def test_nesting_is_bounded() -> None:
    assert strictjson.parse(b"[" * 32 + b"]" * 32)
    assert "32 levels" in refusal(b"[" * 33 + b"]" * 33).problem
    assert "32 levels" in refusal(b'{"a":' * 100_000 + b"1" + b"}" * 100_000).problem


def test_size_is_bounded() -> None:
    assert refusal(b'"' + b"a" * 100 + b'"', size_max_bytes=100).reason == "too-large"


def test_what_the_standard_reader_takes_strictly_comes_out_the_same() -> None:
    value = {"a": [1, -2.5, "x\u2028", None, True, {"b": []}], "é😀": {"": 0}}
    for ascii_only in (True, False):
        assert strictjson.parse(json.dumps(value, ensure_ascii=ascii_only).encode()) == value
