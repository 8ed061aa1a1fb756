"""Badge numbers as readers write them: public fault reports, and forms of 26-bit Wiegand, EM4100 (from memory) and
ISO/IEC 14443.
"""

from __future__ import annotations

import pytest

from pagereeve.domain.badges.form import BadBadge, BadgeForm, canonical_badge
from pagereeve.domain.badges.styles import written_otherwise

HEX = BadgeForm("hex")
UID4 = BadgeForm("hex", 32)
UID4_TURNED = BadgeForm("hex", 32, byte_order="least-first")
BITS = BadgeForm("bits", parity="wiegand")
TAG = BadgeForm("hex", 40)


def refused(text: str, form: BadgeForm) -> str:
    with pytest.raises(BadBadge) as caught:
        canonical_badge(text, form)
    assert text not in str(caught.value)
    return caught.value.reason


@pytest.mark.parametrize(
    ("uid", "decimal", "turned", "turned_decimal"),
    [
        # ISO/IEC 14443 UIDs; monkeyboard/Wiegand-Protocol-Library-for-Arduino#56 and #54, miguelbalboa/rfid#316.
        ("1EA68671", "514229873", "7186A61E", "1904649758"),
        ("E43AC9D2", "3829058002", "D2C93AE4", "3536403172"),
        ("4CDDA15F", "1289593183", "5FA1DD4C", "1604443468"),
        ("AEB3D6E5EDDD6D", "49174381509598573", "6DDDEDE5D6B3AE", "30924786294502318"),
        ("04A1B2C3D4E5F6", "1303689068602870", "F6E5D4C3B2A104", "69495546249912580"),
    ],
)
def test_one_uid_read_in_four_styles_is_one_badge(uid: str, decimal: str, turned: str, turned_decimal: str) -> None:
    width = 4 * len(uid)
    assert canonical_badge(uid, BadgeForm("hex", width)) == uid
    assert canonical_badge(decimal, BadgeForm("decimal", width)) == uid
    assert canonical_badge(turned, BadgeForm("hex", width, byte_order="least-first")) == uid
    assert canonical_badge(turned_decimal, BadgeForm("decimal", width, byte_order="least-first")) == uid
    assert canonical_badge(turned, BadgeForm("hex", width)) != uid


@pytest.mark.parametrize("text", ["1e a6 86 71", "1E:A6:86:71", "1ea68671", " 1E-A6-86-71 "])
def test_separators_and_letters_make_no_difference(text: str) -> None:
    assert canonical_badge(text, UID4) == "1EA68671"


@pytest.mark.parametrize(
    ("tag", "decimal", "low_ten", "turned"),
    [
        # EM4100-style tags of 40 bits: hex, decimal, the low 32 bits in ten digits, byte-reversed.
        ("01026F6C3A", "4335823930", "0040856634", "3A6C6F0201"),
        ("0102B0A5FD", "4340098557", "0045131261", "FDA5B00201"),
        ("0801161DD6", "34377965014", "0018226646", "D61D160108"),
        ("4B00423C15", "322126887957", "0004340757", "153C42004B"),
    ],
)
def test_a_tag_of_forty_bits(tag: str, decimal: str, low_ten: str, turned: str) -> None:
    assert canonical_badge(tag, TAG) == tag
    for digits in (decimal, decimal.zfill(12), decimal.zfill(13)):
        assert canonical_badge(digits, BadgeForm("decimal", 40)) == tag
    assert canonical_badge(turned, BadgeForm("hex", 40, byte_order="least-first")) == tag
    low = canonical_badge(low_ten, BadgeForm("decimal", 32, uid=False))
    assert low == tag[2:]
    assert low != tag


@pytest.mark.parametrize(
    ("facility", "card", "bits", "frame", "data", "decimal", "glued"),
    [
        # 26-bit Wiegand, public descriptions: even parity over the first half, odd over the second.
        (101, 4095, "00110010100001111111111111", "0CA1FFF", "650FFF", "6623231", "10104095"),
        (212, 7041, "11101010000011011100000010", "3A83702", "D41B81", "13900673", "21207041"),
        (1, 1, "10000000100000000000000010", "2020002", "010001", "65537", "00100001"),
        (123, 45678, "10111101110110010011011101", "2F764DD", "7BB26E", "8106606", "12345678"),
        (255, 65535, "01111111111111111111111111", "1FFFFFF", "FFFFFF", "16777215", "25565535"),
        (0, 0, "00000000000000000000000001", "0000001", "000000", "0", "00000000"),
    ],
)
def test_a_frame_of_26_bits_in_all_its_renderings(
    facility: int, card: int, bits: str, frame: str, data: str, decimal: str, glued: str
) -> None:
    assert canonical_badge(bits, BITS) == data
    assert canonical_badge(frame, BadgeForm("hex", 24, parity="wiegand")) == data
    assert canonical_badge(data, BadgeForm("hex", 24)) == data
    assert canonical_badge(decimal, BadgeForm("decimal", 24)) == data
    for text in (glued, f"{facility:03d},{card:05d}", f"{facility:03d}:{card:05d}"):
        assert canonical_badge(text, BadgeForm("facility-card")) == data


def test_facility_and_card_read_as_one_decimal_is_another_number() -> None:
    """The trap of (123, 45678): 12345678 is 0xBC614E."""
    assert canonical_badge("12345678", BadgeForm("decimal", 24)) == "BC614E"
    assert canonical_badge("12345678", BadgeForm("facility-card")) == "7BB26E"


def test_parity_bits_that_are_gone_already_lead_to_the_same_card() -> None:
    """monkeyboard/Wiegand-Protocol-Library-for-Arduino#19: 24-bit value 790953 and the frame of the next test."""
    frame = "10000110000010001101010010"
    assert canonical_badge(f"{790953:024b}", BITS) == canonical_badge(frame, BITS)
    assert canonical_badge("790953", BadgeForm("decimal", 24)) == canonical_badge(frame, BITS)


def test_lost_bits_are_an_error_of_the_frame() -> None:
    """joan2937/pigpio#30, pjz/micropython-wiegand#6: facility 12, card 4521; the first 25 bits alone."""
    frame = "10000110000010001101010010"
    assert canonical_badge("012,04521", BadgeForm("facility-card")) == canonical_badge(frame, BITS)
    assert refused(frame[:25], BITS) == "length"
    for place in range(26):
        turned = frame[:place] + ("1" if frame[place] == "0" else "0") + frame[place + 1 :]
        assert refused(turned, BITS) == "parity"


@pytest.mark.parametrize("width", [34, 32])
def test_frames_of_34_bits(width: int) -> None:
    data = f"{0x1EA68671:032b}"
    first, last = data[:16].count("1") % 2, 1 - data[16:].count("1") % 2
    text = data if width == 32 else f"{first}{data}{last}"
    assert canonical_badge(text, BITS) == "1EA68671"


def test_decimal_bytes_glued_together_are_refused_as_ambiguous() -> None:
    """monkeyboard/Wiegand-Protocol-Library-for-Arduino#56, MiczFlor/RPi-Jukebox-RFID#1042: two cards, one text."""
    form = BadgeForm("decimal-bytes", 32, uid=False)
    assert "".join(map(str, bytes.fromhex("01170405"))) == "".join(map(str, bytes.fromhex("0C030405"))) == "12345"
    assert refused("12345", form) == "ambiguous"
    assert refused("30166134113", form) == "ambiguous"
    assert canonical_badge("30.166.134.113", form) == "1EA68671"
    assert canonical_badge("030166134113", form) == "1EA68671"
    assert refused("999166134113", form) == "form"


def test_a_check_byte_alone_is_no_number() -> None:
    for number in ("00", "5A"):
        assert refused(number, BadgeForm("hex", check_byte="xor")) == "length"
    assert canonical_badge("5A5A", BadgeForm("hex", check_byte="xor")) == "5A"


@pytest.mark.parametrize("number", ["DD17380AF8", "95B4E823EA", "1EA686714F"])
def test_a_check_byte_is_verified_and_taken_off(number: str) -> None:
    """Galarzaa90/android-things-rc522#3, abobija/esp-idf-rc522#23: the fifth byte is the XOR of the others."""
    form = BadgeForm("hex", 32, check_byte="xor")
    assert canonical_badge(number, form) == number[:8]
    wrong = number[:8] + f"{int(number[8:], 16) ^ 1:02X}"
    assert refused(wrong, form) == "check-byte"
    assert refused(number, UID4) == "length"


def test_a_seven_byte_number_cut_to_four_is_refused() -> None:
    """cefn/micropython-mfrc522#2: 88 04 A3 C6 is the beginning of 04 A3 C6 CA E2 61 80, and of many cards."""
    assert refused("8804A3C6", UID4) == "truncated"
    assert canonical_badge("04A3C6CAE26180", HEX) == "04A3C6CAE26180"
    assert canonical_badge("8804A3C6", BadgeForm("hex", 32, uid=False)) == "8804A3C6"


def test_a_card_that_makes_up_its_number_is_no_badge() -> None:
    assert refused("08123456", UID4) == "random"
    assert refused("56341208", UID4_TURNED) == "random"


def test_inverted_lines() -> None:
    """esprfid/esp-rfid#395: 1712142 is shown as 15065073."""
    assert canonical_badge("15065073", BadgeForm("decimal", 24, inverted=True)) == f"{1712142:06X}"


def test_the_same_card_of_another_facility_is_another_badge() -> None:
    """Page "Format and Facility (Site) Code explained": (12, 4521) is not (13, 4521)."""
    form = BadgeForm("facility-card")
    assert canonical_badge("012,04521", form) != canonical_badge("013,04521", form)
    assert canonical_badge("012,04521", form) != canonical_badge("04521", BadgeForm("decimal", 32, uid=False))


@pytest.mark.parametrize(
    ("text", "form", "reason"),
    [
        ("", UID4, "form"),
        ("1EA6867", UID4, "length"),
        ("1EA68671AA", UID4, "length"),
        ("1EA6867G", UID4, "form"),
        ("5142298731", BadgeForm("decimal", 32), "length"),
        ("-465909294", BadgeForm("decimal", 32), "form"),
        ("10 20", BITS, "form"),
        ("256,00001", BadgeForm("facility-card"), "form"),
        ("001,65536", BadgeForm("facility-card"), "form"),
        ("1.2.3", BadgeForm("decimal-bytes", 32), "length"),
        ("1.2.3.256", BadgeForm("decimal-bytes", 32), "form"),
        ("\uff11\uff12\uff13", BadgeForm("decimal", 32), "form"),
    ],
)
def test_what_is_not_in_the_form_is_refused(text: str, form: BadgeForm, reason: str) -> None:
    with pytest.raises(BadBadge) as caught:
        canonical_badge(text, form)
    assert caught.value.reason == reason


def test_plain_text_stays_what_it_is() -> None:
    assert canonical_badge(" 0042-ab ", BadgeForm()) == " 0042-ab "


def test_widths_of_no_whole_bytes_look_like_no_other() -> None:
    thirty_seven = canonical_badge("1" * 37, BadgeForm("bits", 37))
    assert thirty_seven != canonical_badge(f"{int('1' * 37, 2):040b}", BadgeForm("bits", 40, uid=False))


@pytest.mark.parametrize(
    ("canonical", "style", "other"),
    [
        # esprfid/esp-rfid#610: a new firmware reads the same chip otherwise.
        ("7186A61E", "byte-reversed", "1EA68671"),
        ("E159798E", "inverted", "1EA68671"),
        ("1EA68671", "in decimal", "514229873"),
        ("514229873", "in hexadecimal of 4 bytes", "1EA68671"),
        ("1904649758", "in hexadecimal of 4 bytes, byte-reversed", "1EA68671"),
        ("0514229873", "without leading zeros", "514229873"),
        ("1e:a6:86:71", "in capitals, without separators", "1EA68671"),
        # Nibble-wise and byte-wise bit reversal are in use too: 01026F6C3A is 8040F6365C.
        ("01026F6C3A", "bit-reversed", "8040F6365C"),
    ],
)
def test_the_same_number_in_another_style(canonical: str, style: str, other: str) -> None:
    assert written_otherwise(canonical).get(style, "") == other


@pytest.mark.parametrize("text", ["", "x", "desk card no. 7", "12"])
def test_what_is_no_number_has_no_other_style(text: str) -> None:
    assert set(written_otherwise(text)) <= {"in capitals, without separators"}


def test_other_styles_are_few() -> None:
    assert max(len(written_otherwise(text)) for text in ("1EA68671", "12345678", "04A1B2C3D4E5F6")) <= 20


@pytest.mark.parametrize(
    ("text", "form", "canonical"),
    [
        ("255,65535", BadgeForm("facility-card"), "FFFFFF"),
        ("256,65535", BadgeForm("facility-card"), "form"),
        ("255,65536", BadgeForm("facility-card"), "form"),
        ("0,0", BadgeForm("facility-card"), "000000"),
        ("25565535", BadgeForm("facility-card"), "FFFFFF"),
        ("2556553", BadgeForm("facility-card"), "form"),
        ("255.0.255", BadgeForm("decimal-bytes"), "FF00FF"),
        ("256.0.255", BadgeForm("decimal-bytes"), "form"),
        ("255000255", BadgeForm("decimal-bytes", 24), "FF00FF"),
        ("255000256", BadgeForm("decimal-bytes", 24), "form"),
        ("2550002550", BadgeForm("decimal-bytes", 24), "ambiguous"),
        ("", BadgeForm("decimal-bytes", 24), "ambiguous"),
        ("", BadgeForm("decimal-bytes"), "ambiguous"),
        ("", BadgeForm("decimal", 24), "form"),
        ("", BadgeForm("facility-card"), "form"),
        ("25500025", BadgeForm("decimal-bytes", 24), "ambiguous"),
        ("255000255254", BadgeForm("decimal-bytes", 24, check_byte="xor"), "check-byte"),
        ("255001255001", BadgeForm("decimal-bytes", 24, check_byte="xor"), "FF01FF"),
        ("16777215", BadgeForm("decimal", 24), "FFFFFF"),
        ("16777216", BadgeForm("decimal", 24), "length"),
        ("0" * 80, BadgeForm("decimal", 24), "000000"),
        ("0" * 81, BadgeForm("decimal", 24), "form"),
        ("1" * 256, BadgeForm("bits", 256), "F" * 64),
        ("1" * 257, BadgeForm("bits"), "form"),
        ("", BadgeForm("bits"), "form"),
        ("F" * 64, BadgeForm("hex"), "F" * 64),
        ("F" * 65, BadgeForm("hex"), "form"),
        ("", BadgeForm("hex"), "form"),
        # Of 26 bits the outer two are parity; seven hexadecimal digits could hold 28.
        ("3FFFFFF", BadgeForm("hex", parity="wiegand"), "parity"),
        ("4000000", BadgeForm("hex", parity="wiegand"), "length"),
        ("2000000", BadgeForm("hex", parity="wiegand"), "parity"),
        ("0000001", BadgeForm("hex", parity="wiegand"), "000000"),
        ("2000002", BadgeForm("hex", parity="wiegand"), "parity"),
        ("2001001", BadgeForm("hex", parity="wiegand"), "parity"),
        # The first twelve bits of the number are under the even bit, the others under the odd one.
        ("2002001", BadgeForm("hex", parity="wiegand"), "001000"),
        ("0000002", BadgeForm("hex", parity="wiegand"), "000001"),
        ("FFFFFF", BadgeForm("hex", 24, inverted=True), "000000"),
        ("0102FF", BadgeForm("hex", 24, byte_order="least-first"), "FF0201"),
        ("1FF", BadgeForm("hex", 9), "9:1FF"),
        ("200", BadgeForm("hex", 9), "length"),
        ("FFF", BadgeForm("hex", 12), "12:FFF"),
        ("FFF", BadgeForm("hex"), "length"),
        ("88010203", BadgeForm("hex", uid=False), "88010203"),
        ("87010203", BadgeForm("hex"), "87010203"),
        ("89010203", BadgeForm("hex"), "89010203"),
        ("08010203", BadgeForm("hex"), "random"),
        ("07010203", BadgeForm("hex"), "07010203"),
        ("0801020304", BadgeForm("hex"), "0801020304"),
    ],
)
def test_numbers_on_the_limits_of_their_forms(text: str, form: BadgeForm, canonical: str) -> None:
    """The number in its one form, or why it is refused."""
    try:
        found = canonical_badge(text, form)
    except BadBadge as error:
        found = error.reason
    assert found == canonical
