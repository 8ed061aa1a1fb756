"""``multipart/form-data`` (RFC 7578, RFC 2046 section 5.1.1)."""

from __future__ import annotations

import pytest

from pagereeve.console.sign_in.multipart import HEAD_MAX_BYTES, PARTS_MAX, Part, is_multipart, parts_of, texts_of
from tests.installing import BOUNDARY, multipart

KIND = [(b"content-type", f"multipart/form-data; boundary={BOUNDARY}".encode())]


def test_fields_and_a_file_come_as_they_were_sent() -> None:
    body = multipart({"csrf": "t", "list": "a\r\nb ü"}, 'bran"ches.csv'.replace('"', "%22"), b"\x00\r\n--x\xff")
    parts = parts_of(KIND, body)
    assert parts is not None
    assert parts["csrf"] == Part(b"t")
    assert parts["list"] == Part("a\r\nb ü".encode())
    assert parts["file"] == Part(b"\x00\r\n--x\xff", "bran%22ches.csv")
    assert texts_of(parts) == {"csrf": "t", "list": "a\r\nb ü"}


def test_a_preamble_and_an_epilogue_count_for_nothing() -> None:
    body = b"hello\r\n" + multipart({"a": "1"}) + b"and more"
    parts = parts_of(KIND, body)
    assert parts is not None
    assert parts["a"] == Part(b"1")


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"a=1",
        multipart({"a": "1"})[:-6],
        multipart({"a": "1", "file": "2"}),
        multipart({str(nth): "" for nth in range(PARTS_MAX + 1)}),
        multipart({"x" * HEAD_MAX_BYTES: "1"}),
        f"--{BOUNDARY}\r\nContent-Type: text/plain\r\n\r\nx\r\n--{BOUNDARY}--\r\n".encode(),
        f"--{BOUNDARY}\r\nno head\r\n--{BOUNDARY}--\r\n".encode(),
    ],
)
def test_what_is_no_such_form_is_none(body: bytes) -> None:
    assert parts_of(KIND, body) is None


@pytest.mark.parametrize("kind", [b"multipart/form-data", b"multipart/form-data; boundary=", b"text/csv; boundary=x"])
def test_without_a_boundary_there_are_no_parts(kind: bytes) -> None:
    assert parts_of([(b"content-type", kind)], multipart({"a": "1"})) is None


def test_one_content_type_says_what_it_is() -> None:
    assert is_multipart(KIND)
    assert not is_multipart([*KIND, *KIND])
    assert not is_multipart([(b"content-type", b"application/x-www-form-urlencoded")])
    assert parts_of([*KIND, *KIND], multipart({"a": "1"})) is None


def test_a_field_that_is_no_utf_8_is_left_out_of_texts() -> None:
    assert texts_of({"a": Part(b"\xff"), "b": Part(b"ok")}) == {"b": "ok"}
