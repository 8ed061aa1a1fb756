"""Bytes and values: worked by hand or named with their source."""

from __future__ import annotations

import pytest

from pagereeve.meters.snmp.ber import (
    COUNTER32,
    COUNTER64,
    END_OF_MIB_VIEW,
    INTEGER,
    NO_SUCH_INSTANCE,
    NO_SUCH_OBJECT,
    NULL,
    OBJECT_ID,
    OCTET_STRING,
    TIME_TICKS,
    DecodeError,
    Varbind,
    conforms,
    integer,
    number,
    object_id,
    octets,
    oid_arcs,
    oid_bytes,
    oid_label,
    read_tlv,
    tlv,
)

NAME = oid_bytes("1.3.6.1.2.1.43.10.2.1.4.1.1")


def varbind(hexadecimal: str) -> Varbind:
    data = bytes.fromhex(hexadecimal)
    tag, start, stop = read_tlv(data, 0, len(data))
    assert stop == len(data)
    return Varbind(NAME, tag, data[start:stop])


@pytest.mark.parametrize(
    ("encoded", "value", "conforming"),
    [
        # troglobit/mini-snmpd#8, etingof/pysnmp#190 and #114, etingof/pyasn1#215: a counter without its leading zero
        # octet
        ("41 02 9C 40", 40000, False),
        ("41 01 C8", 200, False),
        ("41 03 89 54 40", 9_000_000, False),
        ("41 03 00 9C 40", 40000, True),
        # exhuma/puresnmp#76, #63: a negative counter is no 0
        ("41 04 80 00 00 10", 2_147_483_664, False),
        # Worked by hand from X.690 section 8.3.
        ("41 05 00 FF FF FF FF", 2**32 - 1, True),
        ("41 01 00", 0, True),
        ("41 02 00 05", 5, False),
        ("43 04 7F FF FF FF", 2**31 - 1, True),
        ("46 09 00 FF FF FF FF FF FF FF FF", 2**64 - 1, True),
        ("42 01 07", 7, True),
        ("02 01 80", -128, True),
        ("02 02 00 80", 128, True),
        ("02 02 FF 80", -128, False),
    ],
)
def test_a_number_is_read_unsigned_where_its_tag_says_so(encoded: str, value: int, conforming: bool) -> None:
    found = varbind(encoded)
    assert number(found) == value
    assert conforms(found) is conforming


@pytest.mark.parametrize(
    "encoded",
    ["41 00", "41 05 01 00 00 00 00", "41 06 00 00 00 00 00 01", "02 00", "02 09 00 00 00 00 00 00 00 00 01"],
)
def test_a_number_out_of_its_types_range_is_refused(encoded: str) -> None:
    with pytest.raises(DecodeError, match=r"1\.3\.6\.1\.2\.1\.43\.10\.2\.1\.4\.1\.1"):
        number(varbind(encoded))


def test_text_is_no_number_and_the_error_names_the_object() -> None:
    # netdata/netdata#1236: a number as text
    with pytest.raises(DecodeError, match="OCTET STRING where a number belongs"):
        number(varbind("04 05 31 32 33 34 35"))


@pytest.mark.parametrize("tag", [NULL, NO_SUCH_OBJECT, NO_SUCH_INSTANCE, END_OF_MIB_VIEW])
def test_null_and_the_exceptions_are_absent_and_never_a_number(tag: int) -> None:
    # etingof/pysnmp#37, fusioninventory/fusioninventory-agent#734: no such instance in an answer without error; NULL is
    # no count
    value = Varbind(NAME, tag, b"")
    assert value.absent
    with pytest.raises(DecodeError):
        number(value)


def test_a_zero_is_not_absent() -> None:
    assert not Varbind(NAME, COUNTER32, b"\0").absent


@pytest.mark.parametrize(
    ("size", "head"),
    [
        # alouca/gosnmp#20; the others from X.690 section 8.1.3
        (140, "30 81 8C"),
        (0, "30 00"),
        (127, "30 7F"),
        (128, "30 81 80"),
        (255, "30 81 FF"),
        (256, "30 82 01 00"),
        (65_536, "30 83 01 00 00"),
    ],
)
def test_lengths_at_the_edges_of_their_forms(size: int, head: str) -> None:
    encoded = tlv(0x30, bytes(size))
    assert encoded[: len(bytes.fromhex(head))] == bytes.fromhex(head)
    tag, start, stop = read_tlv(encoded, 0, len(encoded))
    assert (tag, stop - start, stop) == (0x30, size, len(encoded))


def test_a_length_in_more_octets_than_needed_is_legal() -> None:
    # X.690 section 8.1.3.5 note 2
    assert read_tlv(bytes.fromhex("04 82 00 01 41"), 0, 5) == (OCTET_STRING, 4, 5)


@pytest.mark.parametrize(
    "encoded",
    ["", "30", "30 05 00", "30 81", "30 82 01", "30 80 00 00", "30 85 00 00 00 00 01 00", "30 84 FF FF FF FF"],
)
def test_broken_lengths_are_refused(encoded: str) -> None:
    data = bytes.fromhex(encoded)
    with pytest.raises(DecodeError):
        read_tlv(data, 0, len(data))


@pytest.mark.parametrize(
    ("value", "encoded"),
    [
        # X.690 section 8.3.2: the first nine bits are not all equal
        (0, "02 01 00"),
        (127, "02 01 7F"),
        (128, "02 02 00 80"),
        (-1, "02 01 FF"),
        (-128, "02 01 80"),
        (-129, "02 02 FF 7F"),
        (2**31 - 1, "02 04 7F FF FF FF"),
    ],
)
def test_an_integer_takes_the_shortest_form(value: int, encoded: str) -> None:
    expected = bytes.fromhex(encoded)
    assert integer(value) == expected
    assert number(Varbind(NAME, INTEGER, expected[2:])) == value


@pytest.mark.parametrize(
    ("dotted", "encoded"),
    [
        # X.690 section 8.19.5 works 2.999.3 as 06 03 88 37 03
        ("2.999.3", "88 37 03"),
        ("1.3.6.1.2.1.43.10.2.1.4.1.1", "2B 06 01 02 01 2B 0A 02 01 04 01 01"),
        ("1.3.6.1.4.1.99999.1", "2B 06 01 04 01 86 8D 1F 01"),
        ("0.0", "00"),
        ("1.3.4294967295", "2B 8F FF FF FF 7F"),
    ],
)
def test_object_ids_both_ways(dotted: str, encoded: str) -> None:
    content = bytes.fromhex(encoded)
    assert oid_bytes(dotted) == content
    assert oid_label(content) == dotted
    assert object_id(Varbind(NAME, OBJECT_ID, content)) == dotted


@pytest.mark.parametrize("encoded", ["", "2B 86", "2B 90 80 80 80 00", "2B 8F FF FF FF FF FF 7F", "00" * 700])
def test_broken_object_ids_are_refused_and_still_have_a_label(encoded: str) -> None:
    content = bytes.fromhex(encoded)
    with pytest.raises(DecodeError):
        oid_arcs(content)
    assert oid_label(content).startswith("0x")


@pytest.mark.parametrize("dotted", ["", "1", "3.1", "1.40", "1.3.-1", "1.3.4294967296", "1.3.x"])
def test_object_ids_that_can_not_be_sent(dotted: str) -> None:
    with pytest.raises(ValueError, match=r"object id|arc|invalid literal"):
        oid_bytes(dotted)


def test_text_and_object_ids_of_a_wrong_type_are_refused() -> None:
    with pytest.raises(DecodeError, match="where text belongs"):
        octets(Varbind(NAME, COUNTER64, b"\1"))
    with pytest.raises(DecodeError, match="where an object id belongs"):
        object_id(Varbind(NAME, TIME_TICKS, b"\1"))
