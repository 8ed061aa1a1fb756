"""Layouts of Wiegand frames: RfidResearchGroup/proxmark3, client/src/wiegand_formats.c."""

from __future__ import annotations

import pytest

from pagereeve.domain.badges.form import BadBadge, BadgeForm, canonical_badge
from pagereeve.domain.badges.wiegand import LAYOUTS, Layout


def frame_of(layout: Layout, number: int) -> str:
    """The number with every parity bit as its group wants it, in order of what depends on what."""
    bits = [0] * layout.frame_bits
    for place, digit in enumerate(f"{number:0{layout.data_bits}b}"):
        bits[layout.first + place] = int(digit)
    groups = [(group, 0) for group in layout.even] + [(group, 1) for group in layout.odd]
    for group, wanted in groups:
        # Its own bit is the one outside the number that no earlier group has set.
        (own,) = sorted(set(group) - set(range(layout.first, layout.last + 1)) - _set_by(groups, group))
        bits[own] = (sum(bits[place] for place in group) + wanted) % 2
    return "".join(map(str, bits))


def _set_by(groups: list[tuple[frozenset[int], int]], group: frozenset[int]) -> set[int]:
    before = groups[: [one for one, _ in groups].index(group)]
    return {place for one, _ in before for place in one}


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=lambda one: one.name)
def test_every_bit_of_a_frame_is_watched_and_the_number_comes_out(layout: Layout) -> None:
    number = 0x5A5A5A5A5A5A5A & ((1 << layout.data_bits) - 1)
    frame = frame_of(layout, number)
    form = BadgeForm("bits", parity=layout.name, uid=False)
    digits = f"{number:0{-(-layout.data_bits // 4)}X}"
    wanted = digits if layout.data_bits % 8 == 0 else f"{layout.data_bits}:{digits}"
    assert canonical_badge(frame, form) == wanted
    for place in range(layout.frame_bits):
        turned = frame[:place] + "10"[int(frame[place])] + frame[place + 1 :]
        with pytest.raises(BadBadge) as caught:
            canonical_badge(turned, form)
        assert caught.value.reason == "parity"


def test_a_published_frame_of_35_bits() -> None:
    """Facility 1, card 1 of C1k35s, packed by hand after its masks: 0xB6DB6DB6 even, 0x6DB6DB6C odd, all odd."""
    low = 1 << 1 | 1 << 21
    middle = 0
    middle |= ((low & 0xB6DB6DB6).bit_count() % 2) << 1
    low |= 1 - ((middle & 3).bit_count() + (low & 0x6DB6DB6C).bit_count()) % 2
    middle |= (1 - ((middle & 3).bit_count() + (low).bit_count()) % 2) << 2
    frame = f"{middle:03b}{low:032b}"
    assert canonical_badge(frame, BadgeForm("bits", parity="wiegand")) == f"{1 << 20 | 1:08X}"


def test_a_published_frame_of_48_bits() -> None:
    """Facility 5, card 3 of C1k48s, packed by hand after its masks."""
    low, middle = 3 << 1 | 5 << 24, 0
    middle |= (((middle & 0x1B6D).bit_count() + (low & 0xB6DB6DB6).bit_count()) % 2) << 14
    low |= 1 - ((middle & 0x36DB).bit_count() + (low & 0x6DB6DB6C).bit_count()) % 2
    middle |= (1 - ((middle & 0x7FFF).bit_count() + (low).bit_count()) % 2) << 15
    frame = f"{middle:016b}{low:032b}"
    assert canonical_badge(frame, BadgeForm("bits", parity="wiegand")) == f"45:{5 << 23 | 3:012X}"
    assert canonical_badge(f"{int(frame, 2):012X}", BadgeForm("hex", parity="wiegand")) == f"45:{5 << 23 | 3:012X}"


def test_a_layout_is_named_where_its_length_has_two() -> None:
    frame = frame_of(LAYOUTS["wiegand-36-s12906"], 12345)
    assert canonical_badge(frame, BadgeForm("bits", parity="wiegand-36-s12906")) == f"34:{12345:09X}"
    for form in (BadgeForm("bits", parity="wiegand"), BadgeForm("bits", parity="wiegand-34")):
        with pytest.raises(BadBadge) as caught:
            canonical_badge(frame, form)
        assert caught.value.reason == "length"
