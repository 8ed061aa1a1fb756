"""Letters made of strokes, for the raster test page: points of a square grid, joined by straight lines of one pen.

Small letters are small capitals. Every printable character of ASCII has its strokes; any other raises KeyError.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import Final

# The grid. A word below is one stroke through its points; a single point is a dot.
#   a b c d e
#   f g h i j
#   k l m n o
#   p q r s t
#   u v w x y
_POINTS: Final = "abcdefghijklmnopqrstuvwxy"
_SIDE: Final = 5
_STROKES: Final = {
    "A": "ufbdjy ko",
    "B": "uadjnk ntxu",
    "C": "jdbfpvxt",
    "D": "adjtxua",
    "E": "eauy kn",
    "F": "eau kn",
    "G": "jdbfpvxtom",
    "H": "au ey ko",
    "I": "bd cw vx",
    "J": "etxvp",
    "K": "au eky",
    "L": "auy",
    "M": "uamey",
    "N": "uaye",
    "O": "bdjtxvpfb",
    "P": "uadjnk",
    "Q": "bdjtxvpfb ry",
    "R": "uadjnk my",
    "S": "jdbflntxvp",
    "T": "ae cw",
    "U": "apvxte",
    "V": "awe",
    "W": "avmxe",
    "X": "ay eu",
    "Y": "ame mw",
    "Z": "aeuy",
    "0": "bdjtxvpfb jp",
    "1": "gcw vx",
    "2": "fbdjuy",
    "3": "fbdjnm ntxvp",
    "4": "xdpt",
    "5": "eakntxvp",
    "6": "jdbfpvxtnk",
    "7": "aev",
    "8": "bdjnlfb lpvxtn",
    "9": "pvxtjdbflo",
    "!": "cm w",
    '"': "bg di",
    "#": "bv dx fj pt",
    "$": "jdbflntxvp cw",
    "%": "eu a y",
    "&": "yfbcipvxt",
    "'": "ch",
    "(": "dhrx",
    ")": "bhrv",
    "*": "cm kmo qms",
    "+": "hr ln",
    ",": "rv",
    "-": "ln",
    ".": "w",
    "/": "eu",
    ":": "h r",
    ";": "h rv",
    "<": "ils",
    "=": "gi qs",
    ">": "gnq",
    "?": "fbdjm w",
    "@": "xvpfbdjtrmhio",
    "[": "dbvx",
    "\\": "ay",
    "]": "bdxv",
    "^": "gci",
    "_": "uy",
    "`": "bh",
    "{": "dcwx lm",
    "|": "cw",
    "}": "bcwv mn",
    "~": "pgsj",
    " ": "",
}

# Pixels between two points of the grid, across and down; the pen's half width, and a dot's.
_CAPITAL: Final = (2.5, 4.0)
_SMALL: Final = (2.0, 3.0)
_PEN: Final = 1.1
_DOT: Final = 1.6
# Room on every side of the grid, so that the pen stays inside; pixels between two letters.
_ROOM: Final = 1
_GAP: Final = 2
HEIGHT: Final = int((_SIDE - 1) * _CAPITAL[1]) + 2 * _ROOM


@dataclass(frozen=True, slots=True)
class Segment:
    """From one point to another, in pixels."""

    x: float
    y: float
    to_x: float
    to_y: float
    half_width: float

    def covers(self, x: float, y: float) -> bool:
        """The nearest point of the segment is within the pen's half width."""
        across, down = self.to_x - self.x, self.to_y - self.y
        length = across * across + down * down
        along = ((x - self.x) * across + (y - self.y) * down) / length if length else 0.0
        along = min(max(along, 0.0), 1.0)
        return math.hypot(x - self.x - along * across, y - self.y - along * down) <= self.half_width


def rows_of(line: str, width_max: int) -> Iterator[list[bool]]:
    """The line's pixels, row by row from the top, dark or not; letters that don't fit are left out whole."""
    letters: list[tuple[tuple[bool, ...], ...]] = []
    width = 0
    for character in line:
        letter = _drawn(character)
        width += len(letter[0])
        if width > width_max:
            break
        letters.append(letter)
    for row in range(HEIGHT):
        yield [dark for letter in letters for dark in letter[row]]


@cache
def _drawn(character: str) -> tuple[tuple[bool, ...], ...]:
    """``HEIGHT`` rows of one letter, with the gap behind it. A pixel is dark where the pen covers its middle."""
    capital = character.upper()
    step = _SMALL if character != capital or character == " " else _CAPITAL
    segments = list(_segments(_STROKES[capital], step))
    width = int((_SIDE - 1) * step[0]) + 2 * _ROOM + _GAP
    return tuple(
        tuple(any(segment.covers(x + 0.5, y + 0.5) for segment in segments) for x in range(width))
        for y in range(HEIGHT)
    )


def _segments(strokes: str, step: tuple[float, float]) -> Iterator[Segment]:
    """Points lie on whole pixels, so that upright strokes are equally wide; the lowest ones lie on the base line."""
    top = HEIGHT - 2 * _ROOM - (_SIDE - 1) * step[1]
    for stroke in strokes.split():
        places = [divmod(_POINTS.index(point), _SIDE) for point in stroke]
        points = [(round(_ROOM + x * step[0]), round(_ROOM + top + y * step[1])) for y, x in places]
        if len(points) == 1:
            yield Segment(*points[0], *points[0], _DOT)
        for start, end in pairwise(points):
            yield Segment(*start, *end, _PEN)
