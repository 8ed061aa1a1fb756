"""Letters of three by five blocks: enough to read what a raster test page is."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

WIDTH: Final = 3
HEIGHT: Final = 5

# Five rows of three blocks, each row an octal digit.
_ROWS: Final = {
    "A": "25755", "B": "65656", "C": "34443", "D": "65556", "E": "74647", "F": "74644", "G": "34553", "H": "55755",
    "I": "72227", "J": "11152", "K": "55655", "L": "44447", "M": "57755", "N": "65555", "O": "25552", "P": "65644",
    "Q": "25563", "R": "65655", "S": "34216", "T": "72222", "U": "55557", "V": "55552", "W": "55775", "X": "55255",
    "Y": "55222", "Z": "71247", "0": "75557", "1": "26227", "2": "61247", "3": "71317", "4": "55711", "5": "74616",
    "6": "34757", "7": "71122", "8": "75757", "9": "75716", "-": "00700", ".": "00002", ",": "00024", ":": "02020",
    "/": "11244", "_": "00007", " ": "00000", "(": "12221", ")": "42224",
}  # fmt: skip
_UNKNOWN: Final = "71202"


def rows_of(line: str) -> Iterator[list[bool]]:
    """The line's blocks, row by row, an empty column between two letters."""
    for row in range(HEIGHT):
        blocks: list[bool] = []
        for letter in line.upper():
            digit = int(_ROWS.get(letter, _UNKNOWN)[row])
            blocks += [bool(digit & 4), bool(digit & 2), bool(digit & 1), False]
        yield blocks
