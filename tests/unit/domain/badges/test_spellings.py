"""A number is found however a reader writes it, and a count or a time is no badge."""

from __future__ import annotations

import random
import uuid

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pagereeve.domain.badges.form import BadgeForm, canonical_badge
from pagereeve.domain.badges.spellings import holds_number, spellings
from pagereeve.domain.badges.styles import written_otherwise

UID = "04A32B1C"
# 04A32B1C is 77802268 in decimal, 1C2BA304 the other way round is 472621828.


@pytest.mark.parametrize(
    "text",
    [
        "04A32B1C",
        "04a32b1c",
        "04:A3:2B:1C",
        "04 a3 2b 1c",
        "1C2BA304",
        "77802268",
        "0077802268",
        "472621828",
        "urn:x:04-A3-2B-1C:2026-11-29T08:24:49Z",
        "2026-11-29T08:24:49Z/77802268",
        "badge77802268",
        "gate(04a32b1c)",
        "004163043028",
    ],
)
def test_a_number_is_found_in_each_of_its_spellings(text: str) -> None:
    assert holds_number(text, spellings(UID))


@pytest.mark.parametrize(
    "text",
    ["", "gw", "04A32B1D", "04A32B1C0", "x04A32B1C", "778022681", "1778022680", "550e8400-e29b-41d4-a716-446655440000"],
)
def test_another_number_is_none(text: str) -> None:
    assert not holds_number(text, spellings(UID))


def test_a_long_number_is_found_though_the_text_goes_on() -> None:
    written = spellings("04A32B1C5D6E80")
    assert holds_number("x04a32b1c5d6e801732871000", written)
    assert holds_number(f"1732871000{int('04A32B1C5D6E80', 16)}", written)


def test_a_facility_and_card_number_is_found_by_both() -> None:
    canonical = canonical_badge("012,34567", BadgeForm("facility-card"))
    written = spellings("012,34567", canonical)
    for text in ("012,34567", "01234567", "id-012-34567-2026", "0C8707", "820999"):
        assert holds_number(text, written), text


@pytest.mark.parametrize("number", ["7", "12", "4711", "00815"])
def test_a_short_number_must_be_the_whole_text(number: str) -> None:
    written = spellings(number)
    assert holds_number(number, written)
    assert holds_number(f" {number}:", written)
    for text in (f"job-{number}", f"r-1001-{number}-a", f"2026-11-29T{number}", f"x{number}"):
        assert not holds_number(text, written)


def test_what_is_no_number_is_found_as_it_is() -> None:
    written = spellings("Anise-Card")
    assert holds_number("reader of anise-card, left", written)
    assert not holds_number("anisecards", written)


def test_ids_of_counts_and_times_are_seldom_taken_for_a_badge() -> None:
    """So many invented badges of ten digits and UIDs of four bytes, beside ids as senders make them."""
    chance = random.Random(12)
    found = 0
    for number in range(5_000):
        uid = f"{chance.getrandbits(32):08X}"
        written = spellings(uid)
        at = 1_795_943_368_300_076 + number * 1_234_567
        ids = (f"r-{100_000 + number}", f"{at}-{number}", f"2026-11-29T08:24:{number % 60:02}.{at % 10**6}Z")
        texts = (*ids, str(uuid.UUID(int=chance.getrandbits(128))), f"user-{number}", "library-1", "queue-3")
        found += any(holds_number(text, written) for text in texts)
    assert found == 0


@given(st.binary(min_size=4, max_size=10), st.sampled_from(["", "x-", "2026-11-29T08:24:49Z "]))
def test_all_styles_that_are_known_elsewhere_are_spelled_here(octets: bytes, before: str) -> None:
    canonical = octets.hex().upper()
    written = spellings(canonical)
    for style, other in written_otherwise(canonical).items():
        if style not in {"inverted", "bit-reversed"} and len(other) >= 6:
            assert holds_number(f"{before}{other}", written), style
