"""The bytes of a batch: what is written is read again, and nothing else is read."""

from __future__ import annotations

import json

import pytest

from pagereeve.domain.forwarding.batch import (
    BATCH_MAX_BYTES,
    FACTS_MAX,
    Batch,
    SealedBody,
    SealedPlace,
    batch_bytes,
    read_batch,
)
from pagereeve.domain.forwarding.refusal import BatchRefused
from tests.forwarding import ORIGIN

ONE = SealedBody(SealedPlace("rs", 1, b"\x01" * 32), '{"fact":"x"}', "00" * 16)
GONE = SealedBody(SealedPlace("", 7, b"\x02" * 32), None)
BATCH = Batch(ORIGIN, "annex", 0, 2, None, {"rs": b"\x03" * 32, "": b"\x04" * 32}, (ONE, GONE))


def cause_of(raw: bytes) -> str:
    with pytest.raises(BatchRefused) as caught:
        read_batch(raw)
    return caught.value.cause


def with_head(**members: object) -> bytes:
    head, _, rest = batch_bytes(BATCH).partition(b"\n")
    changed = {**json.loads(head), **members}
    return json.dumps(changed, sort_keys=True, separators=(",", ":")).encode() + b"\n" + rest


def test_the_bytes_are_lines_of_canonical_json() -> None:
    assert batch_bytes(Batch(ORIGIN, "annex", 0, 0)) == (
        b'{"after":0,"forward":1,"last":null,"links":{},"origin":"0123456789abcdef0123456789abcdef",'
        b'"site":"annex","size":0}\n'
    )
    assert batch_bytes(BATCH).splitlines()[1] == (
        b'{"body":"{\\"fact\\":\\"x\\"}","link":"' + b"01" * 32 + b'","openings":"' + b"00" * 16
        + b'","seq":1,"timeline":"rs"}'
    )  # fmt: skip


def test_what_is_written_is_read() -> None:
    assert read_batch(batch_bytes(BATCH)) == BATCH


def test_a_batch_that_was_cut_off_is_refused_wherever_it_was_cut() -> None:
    whole = batch_bytes(BATCH)
    for length in range(len(whole)):
        assert cause_of(whole[:length]) == "malformed", length


def test_what_is_too_large_is_named_so() -> None:
    assert cause_of(b"x" * (BATCH_MAX_BYTES + 1)) == "too-large"
    assert cause_of(batch_bytes(BATCH) + b"{}\n" * FACTS_MAX) == "too-large"


def test_another_version_is_named_before_anything_else_of_the_head() -> None:
    assert cause_of(with_head(forward=2, another="member")) == "unknown-version"
    assert cause_of(with_head(forward=True)) == "unknown-version"


@pytest.mark.parametrize(
    "members",
    [
        {"more": 1},
        {"origin": "short"},
        {"origin": ORIGIN.upper()},
        {"site": ""},
        {"site": 5},
        {"after": -1},
        {"after": 2**53},
        {"after": True},
        {"size": 1},
        {"after": 1},
        {"last": {"timeline": "rs", "seq": 1, "link": "00" * 32}},
        {"links": {"rs": "00" * 32}},
        {"links": {"rs": "00" * 32, "": "00" * 32, "other": "00" * 32}},
        {"links": {"rs": "00", "": "00" * 32}},
    ],
)
def test_a_head_that_fits_nothing_is_malformed(members: dict[str, object]) -> None:
    assert cause_of(with_head(**members)) == "malformed"


@pytest.mark.parametrize(
    "line",
    [
        b"[]",
        b"\xff",
        b'{"body":null, "link":""}',
        b'{"body":null,"body":null}',
        b"[" * 100_000,
        b'{"body":1,"link":"' + b"00" * 32 + b'","openings":"","seq":1,"timeline":"rs"}',
        b'{"body":null,"link":"' + b"00" * 32 + b'","openings":"","seq":0,"timeline":"rs"}',
    ],
)
def test_a_line_that_is_no_fact_is_malformed(line: bytes) -> None:
    head = with_head(size=3).split(b"\n")[0]
    assert cause_of(head + b"\n" + line + b"\n") == "malformed"
