"""PCL commands read by hand-made documents (PCL 5 Printer Language Technical Reference Manual; from memory).

What foreign software writes: tests/integration/test_simulator_languages.py.
"""

from __future__ import annotations

import pytest

from pagereeve.simulator.printer.pcl_reader import PclPages, pages_in

E = b"\x1bE"


@pytest.mark.parametrize(
    ("data", "pages"),
    [
        (b"", 0),
        (E + E, 0),
        (E + b"one" + E, 1),
        (E + b"one", 1),
        (E + b"one\f" + E, 1),
        (E + b"\f" + E, 1),
        (E + b"one\ftwo\f" + E, 2),
        (E + b"one\ftwo", 2),
        # A raster row of four octets, two of them form feeds, is data.
        (E + b"\x1b*b4W\f\x1bE\f" + E, 1),
        (E + b"\x1b*b3m4W\f\f\f\f\x1b*rB\f" + E, 1),
        (E + b"\x1b*b0W\x1b*rB" + E, 0),
        # Transparent text and a downloaded font.
        (E + b"\x1b&p2X\f\f" + E, 1),
        (E + b"\x1b)s3W\f\f\f" + E, 0),
        # The other side: only a side that shows something is left behind.
        (E + b"one\x1b&a2Gtwo\f" + E, 2),
        (E + b"\x1b&a2Gtwo\f" + E, 1),
        # A job behind another, each closed by its own reset or by UEL.
        (E + b"one" + E + b"two" + E, 2),
        (E + b"one\x1b%-12345X", 1),
        # What is no command, and a row that is cut off.
        (E + b"one\x1b\x01\f" + E, 1),
        (E + b"\x1b*b9999W\f", 1),
        (E + b"one\f\x1b&l", 2),
    ],
)
def test_pages(data: bytes, pages: int) -> None:
    assert pages_in(data).pages == pages


@pytest.mark.parametrize(
    ("data", "copies", "two_sided"),
    [
        (b"\x1b&l3X\x1b&l1S", 3, True),
        (b"\x1b&l3x2S", 3, True),
        (b"\x1b&l1s26a04X", 4, True),
        (b"\x1b&l1S\x1b&l0S", 1, False),
        (b"\x1b&l+2X", 2, False),
        (b"\x1b&l2.0X", 2, False),
        # The same parameter letters in other groups are other commands.
        (b"\x1b*p9X\x1b*r1S\x1b&a9X", 1, False),
    ],
)
def test_copies_and_sides(data: bytes, copies: int, two_sided: bool) -> None:
    assert pages_in(E + data + b"page\f" + E) == PclPages(pages=1, copies=copies, two_sided=two_sided)
