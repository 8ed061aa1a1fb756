"""Other ways to write a badge's number: all of them by name, at the widths and lengths that they hold for."""

from __future__ import annotations

import pytest

from pagereeve.domain.badges.styles import written_otherwise


def test_a_number_of_four_bytes_in_every_other_style() -> None:
    assert written_otherwise("0102A0FF") == {
        "byte-reversed": "FFA00201",
        "inverted": "FEFD5F00",
        "bit-reversed": "804005FF",
        "in decimal": "16949503",
        "in decimal, byte-reversed": "4288676353",
        "in decimal of 10 digits": "0016949503",
        "in decimal of 13 digits": "0000016949503",
        "in decimal of 8 digits": "16949503",
    }


def test_decimal_digits_in_every_other_style() -> None:
    # 66051 is 0x010203.
    assert written_otherwise("0000066051") == {
        "byte-reversed": "5160060000",
        "inverted": "FFFFF99FAE",
        "bit-reversed": "000060068A",
        "in decimal": "417873",
        "in decimal, byte-reversed": str(int("5160060000", 16)),
        "in decimal of 8 digits": "00417873",
        "in decimal of 10 digits": "0000417873",
        "in decimal of 13 digits": "0000000417873",
    } | {
        "without leading zeros": "66051",
        "with 8 digits": "00066051",
        "with 13 digits": "0000000066051",
        "in hexadecimal of 3 bytes": "010203",
        "in hexadecimal of 3 bytes, byte-reversed": "030201",
        "in hexadecimal of 4 bytes": "00010203",
        "in hexadecimal of 4 bytes, byte-reversed": "03020100",
        "in hexadecimal of 5 bytes": "0000010203",
        "in hexadecimal of 5 bytes, byte-reversed": "0302010000",
        "in hexadecimal of 7 bytes": "00000000010203",
        "in hexadecimal of 7 bytes, byte-reversed": "03020100000000",
    }


@pytest.mark.parametrize(("value", "fits"), [(2**24 - 1, True), (2**24, False)])
def test_a_number_is_written_in_as_many_bytes_as_hold_it(value: int, fits: bool) -> None:
    found = written_otherwise(str(value))
    assert ("in hexadecimal of 3 bytes" in found) is fits
    assert found["in hexadecimal of 4 bytes"] == f"{value:08X}"


@pytest.mark.parametrize(
    ("digits", "octets"), [("A1", False), ("A1B2", False), ("A1B2C3", True), ("A1" * 10, True), ("A1" * 11, False)]
)
def test_three_to_ten_bytes_are_a_number(digits: str, octets: bool) -> None:
    assert ("in decimal" in written_otherwise(digits)) is octets
    assert bool(written_otherwise(digits)) is octets


@pytest.mark.parametrize(
    ("digits", "known"), [("012", False), ("0123", True), ("0" + "1" * 19, True), ("0" + "1" * 20, False)]
)
def test_four_to_twenty_digits_are_a_number(digits: str, known: bool) -> None:
    assert ("without leading zeros" in written_otherwise(digits)) is known


def test_separators_and_small_letters_are_a_style() -> None:
    found = written_otherwise("01:02:a0:ff")
    assert found["in capitals, without separators"] == "0102A0FF"
    assert found["byte-reversed"] == "FFA00201"
    assert written_otherwise("anise@example") == {"in capitals, without separators": "ANISE@EXAMPLE"}
    assert written_otherwise("ANISE") == {}
