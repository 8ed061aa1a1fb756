"""Layouts of Wiegand frames, as data: how many bits, which of them are even or odd together, and where the number lies.

Places count from 0, in the order in which the bits are sent. The layouts are those of RfidResearchGroup/proxmark3
(client/src/wiegand_formats.c, by the names given here). What a facility is and what a card matters to nobody here: both
together are the number.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

Parity = Literal[
    "none",
    "wiegand",
    "wiegand-26",
    "wiegand-34",
    "wiegand-35",
    "wiegand-36-c15001",
    "wiegand-36-s12906",
    "wiegand-37",
    "wiegand-48",
]


@dataclass(frozen=True, slots=True)
class Layout:
    """``even`` and ``odd`` are groups of places, each with its own parity bit; the number is ``first`` to ``last``."""

    name: Parity
    frame_bits: int
    first: int
    last: int
    even: tuple[frozenset[int], ...] = ()
    odd: tuple[frozenset[int], ...] = ()

    @property
    def data_bits(self) -> int:
        return self.last - self.first + 1

    def is_whole(self, frame: int) -> bool:
        """The parity of every group is right."""
        evens = all(self._ones(frame, group) % 2 == 0 for group in self.even)
        return evens and all(self._ones(frame, group) % 2 == 1 for group in self.odd)

    def number(self, frame: int) -> int:
        return frame >> (self.frame_bits - 1 - self.last) & ((1 << self.data_bits) - 1)

    def _ones(self, frame: int, group: Iterable[int]) -> int:
        return sum(frame >> (self.frame_bits - 1 - place) & 1 for place in group)


def _span(first: int, last: int, *more: int) -> frozenset[int]:
    return frozenset({*range(first, last + 1), *more})


def _thirds(first: int, last: int, left_out: int, *more: int) -> frozenset[int]:
    """Two of every three places: all but those with this remainder."""
    return frozenset({*(place for place in range(first, last + 1) if place % 3 != left_out), *more})


LAYOUTS: Final[dict[Parity, Layout]] = {
    one.name: one
    for one in (
        # H10301
        Layout("wiegand-26", 26, 1, 24, even=(_span(0, 12),), odd=(_span(13, 25),)),
        # N10002, H10306
        Layout("wiegand-34", 34, 1, 32, even=(_span(0, 16),), odd=(_span(17, 33),)),
        # C1k35s
        Layout("wiegand-35", 35, 2, 33, even=(_thirds(1, 33, 1, 1),), odd=(_thirds(1, 34, 0), _span(0, 34))),
        # C15001
        Layout("wiegand-36-c15001", 36, 1, 34, even=(_span(0, 17),), odd=(_span(18, 35),)),
        # S12906
        Layout("wiegand-36-s12906", 36, 1, 34, odd=(_span(0, 17), _span(17, 35))),
        # H10302 (one number) and H10304 (facility and card)
        Layout("wiegand-37", 37, 1, 35, even=(_span(0, 18),), odd=(_span(18, 36),)),
        # C1k48s
        Layout("wiegand-48", 48, 2, 46, even=(_thirds(2, 46, 2, 1),), odd=(_thirds(2, 46, 1, 47), _span(0, 47))),
    )
}
BY_WIDTH: Final[dict[int, Layout]] = {
    LAYOUTS[name].frame_bits: LAYOUTS[name]
    for name in ("wiegand-26", "wiegand-34", "wiegand-35", "wiegand-37", "wiegand-48")
}
"""By the frame's length, where the trade has one layout of that length in wide use; *common practice, no source*."""
BY_DIGITS: Final[dict[int, Layout]] = {-(-bits // 4): BY_WIDTH[bits] for bits in (26, 34, 37, 48)}
"""By hexadecimal digits. 34 and 35 bits both have nine: it is the shorter one, unless the form names the other."""


def layouts_of(parity: Parity) -> tuple[Layout, ...]:
    """What frames a form's parity allows: all by their length, or one by its name."""
    if parity == "wiegand":
        return tuple(BY_WIDTH.values())
    return tuple(one for one in LAYOUTS.values() if one.name == parity)
