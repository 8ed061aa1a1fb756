"""Pages of plain lines as PWG raster (PWG 5102.4-2012, section 4): a header of 1,796 octets a page, then its lines.

Positions in the header were written from memory. CUPS reads every pixel of these pages, and Ghostscript's raster writer
puts the same figures at the same positions (tests/integration/test_proof_raster.py).
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from itertools import groupby
from typing import Final

from pagereeve.proof.testpages.stroke_letters import HEIGHT, rows_of

SYNC: Final = b"RaS2"
HEADER_BYTES: Final = 1796
DPI: Final = 100
# ISO A4 in points (1/72 inch), and in pixels.
PAGE_POINTS: Final = (595, 842)
PAGE_PIXELS: Final = (827, 1169)
GRAY: Final = 18
WHITE, BLACK = 0xFF, 0x00
MARGIN: Final = 60
LINE_STEP: Final = HEIGHT + 16
REPEAT_MAX: Final = 256
RUN_MAX: Final = 128


def pwg_raster(pages: Sequence[Sequence[str]], copies: int, *, two_sided: bool) -> bytes:
    """8-bit gray at 100 dpi."""
    header = _header(len(pages), copies, two_sided=two_sided)
    return SYNC + b"".join(header + _compressed(drawn(lines)) for lines in pages)


def _header(total: int, copies: int, *, two_sided: bool) -> bytes:
    header = bytearray(HEADER_BYTES)
    header[0:9] = b"PwgRaster"
    name = b"iso_a4_210x297mm"
    header[1732 : 1732 + len(name)] = name
    fields = {
        272: int(two_sided),
        276: DPI,
        280: DPI,
        340: copies,
        352: PAGE_POINTS[0],
        356: PAGE_POINTS[1],
        372: PAGE_PIXELS[0],
        376: PAGE_PIXELS[1],
        384: 8,
        388: 8,
        392: PAGE_PIXELS[0],
        400: GRAY,
        420: 1,
        452: total,
        456: 1,
        460: 1,
    }
    for at, value in fields.items():
        struct.pack_into(">I", header, at, value)
    return bytes(header)


def drawn(lines: Sequence[str]) -> list[bytes]:
    """The page's rows from the top, an octet a pixel; a line that is too long loses its end."""
    width, height = PAGE_PIXELS
    rows = [bytes([WHITE]) * width] * height
    side = bytes([WHITE]) * MARGIN
    for number, line in enumerate(lines):
        top = MARGIN + number * LINE_STEP
        for part, pixels in enumerate(rows_of(line, width - 2 * MARGIN)):
            row = side + bytes(BLACK if dark else WHITE for dark in pixels)
            rows[top + part] = row.ljust(width, bytes([WHITE]))
    return rows


def _compressed(rows: Sequence[bytes]) -> bytes:
    """Equal rows once with a count, equal pixels once with a count (section 4.4)."""
    packed = bytearray()
    for row, equal in groupby(rows):
        left = sum(1 for _ in equal)
        while left:
            count = min(left, REPEAT_MAX)
            packed.append(count - 1)
            packed += _packed(row)
            left -= count
    return bytes(packed)


def _packed(row: bytes) -> bytes:
    packed = bytearray()
    for pixel, equal in groupby(row):
        left = sum(1 for _ in equal)
        while left:
            count = min(left, RUN_MAX)
            packed += bytes((count - 1, pixel))
            left -= count
    return bytes(packed)
