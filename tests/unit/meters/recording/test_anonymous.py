"""What of a recording is replaced, and what stays: by object, in the same form, the same for the same."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from hypothesis import given
from hypothesis import strategies as st

from pagereeve.meters.discovery.profile import shipped_profiles
from pagereeve.meters.recording.anonymous import AnonymousRecording, anonymous
from pagereeve.meters.recording.harmless import Harmless
from pagereeve.meters.recording.snmprec import recording_text
from pagereeve.meters.snmp.ber import COUNTER32, INTEGER, IP_ADDRESS, OCTET_STRING, Varbind, oid_bytes

HARMLESS = Harmless.by(shipped_profiles())
KEY = bytes(range(32))
DESCRIPTION, NAME, LOCATION = (f"1.3.6.1.2.1.1.{arc}.0" for arc in (1, 5, 6))
SERIAL, ERRORS, COLORANT = "1.3.6.1.2.1.43.5.1.1.17.1", "1.3.6.1.2.1.25.3.5.1.2.1", "1.3.6.1.2.1.43.12.1.1.4.1.1"
MAKER = "1.3.6.1.4.1.32473.5"
BROTHER = "1.3.6.1.4.1.2435.2.3.9.4.2.1.5.5.10.0"
SHARP_NAMES = "1.3.6.1.4.1.2385.1.1.19.2.1.4.1.4.60"


def rows(*given: tuple[str, int, bytes]) -> dict[bytes, Varbind]:
    named = [(oid_bytes(dotted), tag, content) for dotted, tag, content in given]
    return {name: Varbind(name, tag, content) for name, tag, content in named}


def texts(more: Mapping[str, bytes]) -> dict[bytes, Varbind]:
    return rows(*((dotted, OCTET_STRING, content) for dotted, content in more.items()))


def made_of(one: Mapping[bytes, Varbind], key: bytes = KEY) -> AnonymousRecording:
    return anonymous(one, HARMLESS, key)


def content(made: AnonymousRecording, dotted: str) -> bytes:
    return made.rows[oid_bytes(dotted)].content


def test_a_text_is_replaced_in_its_own_form_and_the_same_everywhere() -> None:
    serial, name = b"CNB-7H2Q1 x", b"Printer of the Dean"
    given_texts = {SERIAL: serial, NAME: name, LOCATION: b"Room 12", MAKER + ".1.0": serial, DESCRIPTION: name}
    made = made_of(texts(given_texts))
    assert made.replaced == 5
    new = content(made, SERIAL)
    assert new != serial
    assert [(chr(one).isupper(), chr(one).isdigit(), chr(one).islower()) for one in new] == [
        (chr(one).isupper(), chr(one).isdigit(), chr(one).islower()) for one in serial
    ]
    assert (new[3:4], new[9:10]) == (b"-", b" ")
    assert content(made, MAKER + ".1.0") == new
    assert content(made, DESCRIPTION) == content(made, NAME) != name
    # Another recording has other replacements: nobody finds a name by trying.
    assert content(made_of(texts(given_texts), bytes(32)), SERIAL) != new


def test_what_is_known_to_name_nobody_stays() -> None:
    block = b"\x00\x01\x04\x00\x00\x03\x4d\xff"
    kept = {
        ERRORS: b"\x40\x00",
        COLORANT: b"cyan",
        BROTHER: block,
        SHARP_NAMES: b"Prints",
        NAME: b"",
        "1.3.6.1.4.1.2385.1.1.19.2.1.3.1.4.60": b"004711",
    }
    made = made_of(texts(kept))
    assert {dotted: content(made, dotted) for dotted in kept} == kept
    assert made.replaced == 0
    # Where a word of a closed set belongs, another one is somebody's.
    other = made_of(texts({COLORANT: b"Dean's", SHARP_NAMES: b"Prints of the Dean"}))
    assert other.replaced == 2


def test_addresses_become_addresses_for_documentation_and_hardware_addresses_other_octets() -> None:
    mac = bytes.fromhex("001b789f0a0b")
    made = made_of(
        rows(
            (MAKER + ".1.0", IP_ADDRESS, bytes((10, 1, 2, 3))),
            (MAKER + ".2.0", IP_ADDRESS, bytes((10, 1, 2, 3))),
            (MAKER + ".3.0", IP_ADDRESS, bytes(4)),
            (MAKER + ".4.0", OCTET_STRING, mac),
        )
    )
    assert content(made, MAKER + ".1.0")[:3] == bytes((192, 0, 2))
    assert content(made, MAKER + ".1.0") == content(made, MAKER + ".2.0")
    assert content(made, MAKER + ".3.0") == bytes(4)
    assert content(made, MAKER + ".4.0") != mac
    assert len(content(made, MAKER + ".4.0")) == len(mac)


def test_what_names_it_in_an_index_or_as_a_number_is_left_out() -> None:
    address, serial = bytes((10, 1, 2, 203)), b"0012345678"
    index = ".".join(map(str, serial))
    number = (12_345_678).to_bytes(4, "big")
    made = made_of(
        rows(
            (SERIAL, OCTET_STRING, serial),
            (MAKER + ".1.0", IP_ADDRESS, address),
            (MAKER + ".2.10.1.2.203", INTEGER, b"\x07"),
            (f"{MAKER}.3.10.{index}", INTEGER, b"\x07"),
            (MAKER + ".4.0", INTEGER, number),
            (MAKER + ".5.0", COUNTER32, address),
            (MAKER + ".6.0", COUNTER32, b"\x00\xbc\x61\x4f"),
        )
    )
    assert made.left_out == 4
    assert set(made.rows) == {oid_bytes(one) for one in (SERIAL, MAKER + ".1.0", MAKER + ".6.0")}


TEXTS = st.binary(min_size=4, max_size=24) | st.text(min_size=4, max_size=24).map(str.encode)


@given(st.lists(TEXTS, min_size=1, max_size=8), st.binary(min_size=32, max_size=32))
def test_no_text_of_four_octets_and_more_is_left_and_lengths_are(given_texts: Iterable[bytes], key: bytes) -> None:
    places = {f"{MAKER}.9.{nth}": one for nth, one in enumerate(given_texts)}
    made = made_of(texts(places), key)
    written = recording_text(made.rows)
    for dotted, one in places.items():
        new = content(made, dotted)
        assert len(new) == len(one)
        if any(chr(octet).isalnum() or octet >= 0x80 for octet in one) or not one.isascii():
            assert new != one
            assert f"{dotted}|4x|{one.hex()}\n" not in written
