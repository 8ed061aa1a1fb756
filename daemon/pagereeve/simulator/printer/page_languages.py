"""Enough of plain text, PJL, PostScript, PCL and PWG raster to know pages, copies and sides of a simple document.

It reads PCL and raster that foreign software wrote (tests/integration/test_simulator_languages.py). PJL's settings are
judged by nothing foreign: this reader, the writer in proof/testpages and their tests rest on one memory.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable
from typing import Final

from pagereeve.domain.facts.ticket import Sides
from pagereeve.simulator.printer.model import JOB_COPIES_MAX, JOB_PAGES_MAX, PrintJob
from pagereeve.simulator.printer.pcl_reader import pages_in

DOCUMENT_MAX_BYTES: Final = 8 * 2**20
RASTER_SYNC: Final = b"RaS2"
RASTER_HEADER: Final = 1796
UNUSED_RUN: Final = 128
UEL: Final = b"\x1b%-12345X"

_PJL_SET: Final = re.compile(rb"@PJL\s+SET\s+(\w+)\s*=\s*(\w{1,16})", re.IGNORECASE)
_SHOWPAGE: Final = re.compile(rb"^showpage\s*$", re.MULTILINE)
_DUPLEX: Final = re.compile(rb"/Duplex\s+true\b")
_COPIES: Final = re.compile(rb"/NumCopies\s+(\d{1,4})\b")


def job_in(data: bytes) -> PrintJob:
    """The job that a document makes; whatever has no language of its own is text. A PJL header counts where the
    document itself says nothing.
    """
    if not data.startswith(UEL):
        return _document(data)
    settings, body = _pjl(data.removeprefix(UEL))
    job = _document(body)
    if job.name != "text":
        return job
    copies = settings.get(b"COPIES", b"")
    return _job("text", job.pages, int(copies) if copies.isdigit() else 1, two_sided=settings.get(b"DUPLEX") == b"ON")


def _pjl(data: bytes) -> tuple[dict[bytes, bytes], bytes]:
    """What a PJL header sets, and what lies between it and the closing UEL."""
    settings: dict[bytes, bytes] = {}
    while data.startswith(b"@PJL"):
        line, _, data = data.partition(b"\n")
        if match := _PJL_SET.match(line):
            settings[match[1].upper()] = match[2].upper()
    return settings, data.partition(UEL)[0]


def _document(data: bytes) -> PrintJob:
    reader: Callable[[bytes], PrintJob] = _text
    if data.startswith(b"%!"):
        reader = _postscript
    elif data.startswith(b"\x1bE"):
        reader = _pcl
    elif data.startswith(RASTER_SYNC):
        reader = _raster
    return reader(data)


def _text(data: bytes) -> PrintJob:
    return _job("text", len([page for page in data.split(b"\f") if page.strip()]) or 1)


def _postscript(data: bytes) -> PrintJob:
    copies = _COPIES.search(data)
    return _job(
        "postscript",
        len(_SHOWPAGE.findall(data)),
        int(copies[1]) if copies else 1,
        two_sided=_DUPLEX.search(data) is not None,
    )


def _pcl(data: bytes) -> PrintJob:
    read = pages_in(data)
    return _job("pcl", read.pages, read.copies, two_sided=read.two_sided)


def _raster(data: bytes) -> PrintJob:
    """Headers and the pixels between them (PWG 5102.4 section 4; from memory)."""
    at, pages, copies, two_sided = len(RASTER_SYNC), 0, 1, False
    while at + RASTER_HEADER <= len(data) and pages < JOB_PAGES_MAX:
        header = data[at : at + RASTER_HEADER]
        (duplex,) = struct.unpack_from(">I", header, 272)
        (copies,) = struct.unpack_from(">I", header, 340)
        (height,) = struct.unpack_from(">I", header, 376)
        pixel_bits, line_bytes = struct.unpack_from(">II", header, 388)
        two_sided = two_sided or bool(duplex)
        pages += 1
        at = _after_pixels(data, at + RASTER_HEADER, height, line_bytes, max(pixel_bits // 8, 1))
    return _job("pwg", pages, copies or 1, two_sided=two_sided)


def _after_pixels(data: bytes, at: int, height: int, line_bytes: int, unit_bytes: int) -> int:
    """Where the page ends. Runs count pixels of whole octets, or octets of eight pixels."""
    rows = 0
    while rows < height and at < len(data):
        rows += data[at] + 1
        at += 1
        left = line_bytes
        while left > 0 and at < len(data):
            run = data[at]
            units, stored = (run + 1, 1) if run < UNUSED_RUN else (257 - run, 257 - run)
            left -= units * unit_bytes
            at += 1 + stored * unit_bytes
    return at


def _job(name: str, pages: int, copies: int = 1, *, two_sided: bool = False) -> PrintJob:
    sides: Sides = "two-sided-long-edge" if two_sided else "one-sided"
    return PrintJob(name, min(max(pages, 1), JOB_PAGES_MAX), min(max(copies, 1), JOB_COPIES_MAX), sides)
