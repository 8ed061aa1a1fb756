"""What is stored smaller comes back as it was; what can't be read, as something that nothing takes for whole."""

from __future__ import annotations

import hashlib
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy.dialects import sqlite

from pagereeve.store.records.body_forms import DICTIONARIES, PACKED_MAX, packed_body, unpacked_body
from pagereeve.store.records.checked_rows import digest_of_body, digest_text, intact, same_claim
from pagereeve.store.records.digest_forms import (
    packed_digest,
    packed_link,
    packed_openings,
    unpacked_digest,
    unpacked_link,
    unpacked_openings,
)
from pagereeve.store.records.fact_record import file
from pagereeve.store.records.instants_apart import INSTANTS_MAX, MARK, parted, written
from pagereeve.store.sql.stored_types import BODY, DIGEST, LINK, OPENINGS, Packed
from tests.journal_samples import read, started

WORDS_SHA256 = {
    1: "b504b6aa519c478876ced76a1bf01b16a829eb8152597517869e659697f0dec5",
    2: "e9835817145b086a0ebef25fbf1a4345385d86a7abf092b3081682e83f855718",
}
HEX = "0123456789abcdef"


def test_a_dictionary_is_never_changed() -> None:
    """Else nobody could read what was packed with it. Another one gets another number, and a line here."""
    assert {number: hashlib.sha256(words).hexdigest() for number, words in DICTIONARIES.items()} == WORDS_SHA256


@given(st.text(st.characters(codec="utf-8"), max_size=3_000))
def test_any_text_comes_back(body: str) -> None:
    assert unpacked_body(packed_body(body)) == body


@pytest.mark.parametrize("fact", [read(7), started("event-1")])
def test_a_body_takes_less_than_half_of_its_text(fact: object) -> None:
    body = file(fact).body  # type: ignore[arg-type]
    packed = packed_body(body)
    assert isinstance(packed, bytes)
    assert len(packed) < len(body) / 2


INSTANTS = st.datetimes().map(lambda when: f"{when.isoformat(timespec='microseconds')}Z")
PIECES = st.one_of(
    INSTANTS, st.text(st.characters(codec="utf-8"), max_size=20), st.sampled_from(["\x01", "2026-02-30T"])
)


@given(st.lists(PIECES, max_size=40), st.sampled_from(['"', "", '","at":"']))
def test_any_text_with_instants_comes_back(pieces: list[str], between: str) -> None:
    body = between.join(["", *pieces, ""])
    assert unpacked_body(packed_body(body)) == body


@pytest.mark.parametrize(
    "body",
    [
        *(f'{{"at":"{text}"}}' * 9 for text in ("0001-01-01T00:00:00.000000Z", "9999-12-31T23:59:59.999999Z")),
        *(f'{{"at":"{text}"}}' * 9 for text in ("2026-02-30T00:00:00.000000Z", "2026-01-01T00:00:60.000000Z")),
        '{"at":"2026-01-01T24:00:00.000000Z"}' * 9,
        *('"2026-01-01T00:00:00.000001Z"' * many for many in (1, INSTANTS_MAX - 1, INSTANTS_MAX, INSTANTS_MAX + 1)),
        '"2026-01-01T00:00:00.000001Z"' * 9 + MARK,
        '"٢٠٢٦-01-01T00:00:00.000000Z"' * 9,
    ],
)
def test_instants_at_every_edge_come_back(body: str) -> None:
    assert unpacked_body(packed_body(body)) == body


def test_the_instants_of_a_reading_take_a_third_of_their_digits_packed() -> None:
    body = file(read(7)).body
    packed, words = packed_body(body), parted(body)
    assert isinstance(packed, bytes)
    assert words is not None
    assert packed[0] == 2
    assert len(written(words[1])) < 6 * len(words[1])
    assert len(packed) < len(zlib_of(body)) * 0.9


def zlib_of(body: str) -> bytes:
    """As rows of before are packed."""
    packing = zlib.compressobj(6, zlib.DEFLATED, -12, 5, zlib.Z_DEFAULT_STRATEGY, DICTIONARIES[1])
    return b"\x01" + packing.compress(body.encode()) + packing.flush()


@given(st.text(st.characters(codec="utf-8"), min_size=1, max_size=300))
def test_what_was_packed_with_the_first_words_is_read(body: str) -> None:
    assert unpacked_body(zlib_of(body)) == body


def test_a_flipped_bit_makes_no_other_body() -> None:
    """Bits that fill up the last byte say nothing."""
    body = file(started("event-1")).body
    packed, digest = packed_body(body), digest_of_body(body)
    assert isinstance(packed, bytes)
    for place in range(8 * len(packed)):
        flipped = bytearray(packed)
        flipped[place // 8] ^= 1 << place % 8
        found = unpacked_body(bytes(flipped))
        assert found == body or not intact(found, digest)


def test_what_gets_no_smaller_stays_text() -> None:
    assert packed_body("{}") == "{}"
    longest = "x" * PACKED_MAX
    assert unpacked_body(packed_body(longest)) == longest
    assert packed_body(longest + "x") == longest + "x"


def test_a_damaged_row_swells_to_no_more_than_a_body_may_be() -> None:
    bomb = b"\x01" + zlib.compress(b"x" * (PACKED_MAX + 1), wbits=-12)
    assert len(unpacked_body(bomb)) == 1 + 2 * len(bomb)


@given(st.binary(max_size=200))
def test_any_bytes_are_read_and_never_taken_for_a_body(stored: bytes) -> None:
    body, digest = unpacked_body(stored), digest_of_body('{"a":1}')
    assert isinstance(body, str)
    assert not intact(body, digest)


@pytest.mark.parametrize("stored", [None, 7, 1.5, "text"])
def test_what_is_no_bytes_comes_back_as_it_is(stored: object) -> None:
    assert [read(stored) for read in (unpacked_body, unpacked_digest, unpacked_link, unpacked_openings)] == [stored] * 4


def test_digests_are_bytes_and_come_back() -> None:
    event, reading = file(started("event-1")), file(read(7))
    for record, size in ((event, 32), (reading, 16)):
        packed = packed_digest(digest_text(record))
        assert isinstance(packed, bytes)
        assert len(packed) == size
        assert unpacked_digest(packed) == digest_text(record)
        assert intact(record.body, unpacked_digest(packed))
        assert not intact(record.body + " ", unpacked_digest(packed))


def test_digests_of_before_are_known_and_those_of_another_form_stay() -> None:
    record = file(started("event-1"))
    whole = f"{record.digest}:{hashlib.sha256(record.body.encode()).hexdigest()}"
    assert packed_digest(whole) == whole
    assert intact(record.body, whole)
    assert same_claim(str(record.digest), str(record.digest))
    assert same_claim(str(record.digest)[:32], str(record.digest))
    assert not same_claim(str(record.digest)[:31], str(record.digest))
    assert not same_claim("", str(record.digest))
    for other in (None, "", "erased:", record.digest):
        assert packed_digest(other) == other


@given(st.binary(max_size=70).filter(lambda stored: len(stored) not in {16, 32}))
def test_digests_of_a_wrong_length_fit_nothing(stored: bytes) -> None:
    assert not intact("{}", unpacked_digest(stored))


@given(st.text(HEX, min_size=64, max_size=64), st.lists(st.text(HEX, min_size=32, max_size=32), max_size=5))
def test_links_and_salts_are_bytes_and_come_back(link: str, salts: list[str]) -> None:
    assert packed_link(link) == bytes.fromhex(link)
    assert unpacked_link(packed_link(link)) == link
    openings = " ".join(salts)
    assert unpacked_openings(packed_openings(openings)) == openings
    assert isinstance(packed_openings(openings), bytes) is bool(salts)


def test_salts_with_one_that_is_erased_stay_text() -> None:
    """The database's own guard looks for the sign in it."""
    erased = f"{'0' * 32} ={'1' * 64}"
    assert packed_openings(erased) == erased


@pytest.mark.parametrize(
    ("column", "text"),
    [
        (BODY, file(read(7)).body),
        (DIGEST, digest_text(file(read(7)))),
        (LINK, "ab" * 32),
        (OPENINGS, "cd" * 16),
    ],
)
def test_a_column_binds_and_reads_by_these_forms(column: Packed, text: str) -> None:
    dialect = sqlite.dialect()
    bind, result = column.bind_processor(dialect), column.result_processor(dialect, None)
    assert bind is not None
    assert result is not None
    assert isinstance(bind(text), bytes)
    assert result(bind(text)) == text
    assert result(text) == text
