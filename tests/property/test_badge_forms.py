"""The laws of badge forms: what is written is read back, two numbers never become one, no refusal tells a number."""

from __future__ import annotations

import itertools
import re
from functools import reduce
from operator import xor
from typing import get_args

from hypothesis import assume, given
from hypothesis import strategies as st
from pydantic import ValidationError

from pagereeve.domain.badges.form import (
    BadBadge,
    BadgeForm,
    ByteOrder,
    CheckByte,
    Encoding,
    canonical_badge,
)
from pagereeve.domain.badges.styles import written_otherwise
from pagereeve.settings import BadgeFormSettings

OTHERWISE_MAX = 20
WIDTHS = (None, 24, 32, 40, 56, 80)
# Frames of 37 and 48 bits hold numbers that are no whole bytes.
CANONICAL = re.compile(r"(?:[0-9A-F]{2})+|(?:35|45):[0-9A-F]+")
PART = 5


def every_form() -> list[BadgeForm]:
    """All that the settings allow."""
    forms = []
    names = ("encoding", "width_bits", "byte_order", "parity", "check_byte", "inverted", "uid")
    # Layouts by their names have tests of their own (test_wiegand.py).
    parities = ("none", "wiegand")
    choices = (get_args(Encoding), WIDTHS, get_args(ByteOrder), parities, get_args(CheckByte), (False, True))
    for members in itertools.product(*choices, (False, True)):
        try:
            forms.append(BadgeFormSettings(**dict(zip(names, members, strict=True))).to_form())
        except ValidationError:
            continue
    return forms


FORMS = [form for form in every_form() if form.encoding != "text"]


def written(raw: bytes, form: BadgeForm) -> str:
    """What a reader of that form writes for a chip with these bytes."""
    sent = raw[::-1] if form.byte_order == "least-first" else raw
    if form.check_byte == "xor":
        sent += bytes([reduce(xor, sent)])
    bits = "".join(f"{byte:08b}" for byte in sent)
    if form.parity == "wiegand":
        half = len(bits) // 2
        bits = f"{bits[:half].count('1') % 2}{bits}{1 - bits[half:].count('1') % 2}"
    if form.inverted:
        bits = bits.translate(str.maketrans("01", "10"))
    return in_encoding(bits, form)


def in_encoding(bits: str, form: BadgeForm) -> str:
    value = int(bits, 2)
    match form.encoding:
        case "hex":
            return f"{value:0{-(-len(bits) // 4)}x}"
        case "decimal":
            return str(value)
        case "bits":
            return bits
        case "facility-card":
            return f"{value >> 16},{value & 0xFFFF}"
        case _:
            return ".".join(map(str, value.to_bytes(len(bits) // 8, "big")))


def widths_of(form: BadgeForm) -> st.SearchStrategy[int]:
    """Bytes of a chip's number that such a reader can read."""
    if form.width_bits is not None:
        return st.just(form.width_bits // 8)
    if form.encoding == "facility-card":
        return st.just(3)
    return st.sampled_from((3, 4)) if form.parity == "wiegand" else st.sampled_from((3, 4, 5, 7, 10))


def read(text: str, form: BadgeForm) -> str | BadBadge:
    try:
        return canonical_badge(text, form)
    except BadBadge as refused:
        return refused


def why(outcome: str | BadBadge) -> str:
    return outcome.reason if isinstance(outcome, BadBadge) else "read"


@st.composite
def chips(draw: st.DrawFn) -> tuple[BadgeForm, bytes, bytes]:
    """A form, and two numbers of chips at such a reader."""
    form = draw(st.sampled_from(FORMS))
    first, second = (draw(widths_of(form).flatmap(lambda n: st.binary(min_size=n, max_size=n))) for _ in range(2))
    return form, first, second


def refused_as_shared(raw: bytes, form: BadgeForm) -> bool:
    return form.uid and len(raw) == 4 and raw[0] in {0x08, 0x88}


@given(chips())
def test_every_reader_of_a_chip_comes_to_the_chips_own_bytes(drawn: tuple[BadgeForm, bytes, bytes]) -> None:
    form, raw, _ = drawn
    assume(not refused_as_shared(raw, form))
    assert canonical_badge(written(raw, form), form) == raw.hex().upper()


@given(chips())
def test_two_chips_never_get_one_canonical_form(drawn: tuple[BadgeForm, bytes, bytes]) -> None:
    form, one, other = drawn
    assume(one != other)
    outcomes = [read(written(raw, form), form) for raw in (one, other)]
    assert {why(outcome) for outcome in outcomes} <= {"read", "truncated", "random"}
    assert outcomes[0] != outcomes[1]


@given(
    st.binary(min_size=2, max_size=10), st.sampled_from([form for form in FORMS if form.encoding == "decimal-bytes"])
)
def test_glued_decimal_bytes_are_read_right_or_not_at_all(raw: bytes, form: BadgeForm) -> None:
    plain = BadgeForm("decimal-bytes", form.width_bits, uid=False)
    outcome = read("".join(map(str, raw)), plain)
    if len(raw) * 8 == plain.width_bits:
        assert outcome == raw.hex().upper() or why(outcome) == "ambiguous"
    else:
        assert plain.width_bits or why(outcome) == "ambiguous"


@given(
    st.text(alphabet="0123456789ABCDEFabcdef", min_size=PART, max_size=40)
    | st.text(alphabet="0123456789", min_size=PART, max_size=40)
    | st.text(alphabet="0123456789ABCDEF :-,.", min_size=PART, max_size=60)
    | st.text(max_size=250),
    st.sampled_from(FORMS),
)
def test_any_text_gives_whole_bytes_or_a_refusal_without_any_part_of_it(text: str, form: BadgeForm) -> None:
    outcome = read(text, form)
    if isinstance(outcome, str):
        assert CANONICAL.fullmatch(outcome)
        assert ":" in outcome or form.width_bits in {None, len(outcome) * 4}
        return
    told = f"{outcome} {outcome!r}"
    parts = {text[at : at + PART] for at in range(len(text) - PART + 1)}
    assert [part for part in parts if re.search(r"[0-9]", part) and part in told] == []
    # Neither does a traceback: what int() and fromhex() refuse, they show.
    assert (outcome.__cause__, outcome.__context__) == (None, None)


@given(chips(), st.data())
def test_one_turned_bit_never_passes_the_parity(drawn: tuple[BadgeForm, bytes, bytes], data: st.DataObject) -> None:
    form, raw, _ = drawn
    wired = BadgeForm("bits", parity="wiegand", inverted=form.inverted, uid=False)
    frame = written((raw * 4)[: data.draw(st.sampled_from((3, 4)))], wired)
    at = data.draw(st.integers(0, len(frame) - 1))
    turned = frame[:at] + str(1 - int(frame[at])) + frame[at + 1 :]
    assert why(read(turned, wired)) == "parity"


@given(
    st.binary(max_size=12).map(lambda raw: raw.hex().upper()) | st.text(alphabet="0123456789", max_size=30) | st.text()
)
def test_other_styles_are_few_and_never_the_number_itself(canonical: str) -> None:
    styles = written_otherwise(canonical)
    assert len(styles) <= OTHERWISE_MAX
    assert canonical not in styles.values()


@given(st.binary(min_size=3, max_size=10))
def test_the_styles_that_lose_nothing_lead_back(raw: bytes) -> None:
    canonical = raw.hex().upper()
    for style in ("byte-reversed", "inverted", "bit-reversed"):
        other = written_otherwise(canonical).get(style, canonical)
        assert written_otherwise(other).get(style, other) == canonical
