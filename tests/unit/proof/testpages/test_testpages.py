"""Test pages in five languages, and what a simulated printer understands of them."""

from __future__ import annotations

import struct

import pytest

from pagereeve.proof.plan import Language
from pagereeve.proof.testpages.jobs import TEST_JOBS, Heading, can, document, lines_of, sheets_at_most
from pagereeve.proof.testpages.jobs import TestJob as Job
from pagereeve.proof.testpages.raster import MARGIN, PAGE_PIXELS
from pagereeve.proof.testpages.stroke_letters import HEIGHT, rows_of
from pagereeve.simulator.printer.page_languages import job_in

HEADING = Heading("north-1", "2026-11-25", 2, 3)
LANGUAGES: tuple[Language, ...] = ("text", "pjl", "postscript", "pcl", "pwg")


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("job", [*TEST_JOBS, Job("many", 7, copies=3, two_sided=True)])
def test_a_printer_understands_pages_copies_and_sides(language: Language, job: Job) -> None:
    if can(language, job):
        with pytest.raises(ValueError, match="plain text can't"):
            document(job, language, HEADING)
        return
    data = document(job, language, HEADING)
    understood = job_in(data)
    assert (understood.pages, understood.copies) == (job.pages, job.copies)
    assert (understood.sides != "one-sided") == job.two_sided
    assert len(data) < 256 * 1024
    assert data == document(job, language, HEADING)


@pytest.mark.parametrize("language", ["text", "pjl", "postscript", "pcl"])
def test_every_page_says_what_it_is(language: Language) -> None:
    job = TEST_JOBS[0]
    text = document(job, language, HEADING).decode("ascii")
    for line in ("Pagereeve test page", "printer north-1", "date 2026-11-25", "job 2 of 3"):
        assert text.count(line) >= job.pages
    assert "page 1 of 2" in text
    assert "page 2 of 2" in text


def test_a_name_can_be_no_command() -> None:
    bad = Heading("x) showpage (\x1bE\f\\", "2026-11-25", 1, 1)
    postscript = document(TEST_JOBS[0], "postscript", bad)
    assert b"printer x\\) showpage \\(?E?\\\\" in postscript
    assert job_in(postscript).pages == 2
    assert job_in(document(TEST_JOBS[0], "pcl", bad)).pages == 2
    assert job_in(document(TEST_JOBS[0], "text", bad)).pages == 2


def test_a_pjl_header_asks_for_what_text_can_not() -> None:
    # PJL Technical Reference (from memory): UEL, @PJL lines, ENTER LANGUAGE, the job, UEL.
    data = document(TEST_JOBS[1], "pjl", HEADING)
    assert data.startswith(b"\x1b%-12345X@PJL ")
    assert data.endswith(b"\x1b%-12345X")
    sides, enter = data.index(b"@PJL SET DUPLEX=ON\r\n"), data.index(b"@PJL ENTER LANGUAGE=PCL\r\n")
    assert sides < enter < data.index(b"printer north-1")
    assert b"SET DUPLEX=OFF" in document(TEST_JOBS[0], "pjl", HEADING)
    assert b"SET COPIES=2" in document(TEST_JOBS[2], "pjl", HEADING)


def test_the_paper_is_announced_as_if_two_sided_were_ignored() -> None:
    assert sheets_at_most(TEST_JOBS) == 2 + 3 + 2
    assert sheets_at_most([]) == 0


def test_a_raster_page_has_the_fields_of_the_standard_and_whole_lines() -> None:
    # PWG 5102.4-2012, sections 4.3 and 4.4, read here by hand; foreign readers: tests/integration/test_proof_raster.py.
    data = document(Job("x", 2, copies=4, two_sided=True), "pwg", HEADING)
    assert data[:4] == b"RaS2"
    at = 4
    for _ in range(2):
        header = data[at : at + 1796]
        assert header[:10] == b"PwgRaster\0"
        assert header[1732:1749] == b"iso_a4_210x297mm\0"

        def field(place: int, header: bytes = header) -> int:
            return int(struct.unpack_from(">I", header, place)[0])

        assert (field(272), field(368), field(340)) == (1, 0, 4)
        assert (field(276), field(280)) == (100, 100)
        assert (field(384), field(388), field(400), field(420)) == (8, 8, 18, 1)
        width, height = field(372), field(376)
        assert field(392) == width
        assert field(452) == 2
        at, dark = unpacked(data, at + 1796, width, height)
        assert 0.001 < dark / (width * height) < 0.2
    assert at == len(data)


def unpacked(data: bytes, at: int, width: int, height: int) -> tuple[int, int]:
    """Where the page ends, and how many of its pixels are dark."""
    dark = rows = 0
    while rows < height:
        repeat = data[at] + 1
        at += 1
        pixels = bytearray()
        while len(pixels) < width:
            assert data[at] < 128
            pixels += bytes([data[at + 1]]) * (data[at] + 1)
            at += 2
        assert len(pixels) == width
        dark += repeat * pixels.count(0)
        rows += repeat
    assert rows == height
    return at, dark


LINE_PIXELS = PAGE_PIXELS[0] - 2 * MARGIN


def drawn(text: str, width_max: int = LINE_PIXELS) -> tuple[tuple[bool, ...], ...]:
    rows = tuple(tuple(row) for row in rows_of(text, width_max))
    assert len(rows) == HEIGHT
    assert len({len(row) for row in rows}) == 1
    return rows


def test_every_printable_character_has_a_shape_of_its_own() -> None:
    printable = [chr(code) for code in range(0x20, 0x7F)]
    shapes = {character: drawn(character) for character in printable}
    assert len(set(shapes.values())) == len(printable)
    for character, rows in shapes.items():
        dark = sum(map(sum, rows))
        assert dark >= 10 or character == " "
        # Two letters never touch: the last column of each is empty.
        assert not any(row[-1] for row in rows)


def test_a_line_holds_its_letters_side_by_side() -> None:
    assert drawn("Ab1") == tuple(
        first + second + third for first, second, third in zip(drawn("A"), drawn("b"), drawn("1"), strict=True)
    )


def test_a_line_that_is_too_long_loses_whole_letters() -> None:
    one = len(drawn("W")[0])
    assert drawn("WWW", 3 * one) == drawn("WWW")
    assert drawn("WWW", 3 * one - 1) == drawn("WW")


def test_the_page_is_wide_enough_for_what_it_says() -> None:
    heading = Heading("printer-with-a-long-name-on-the-ground-floor", "2026-11-25", 3, 3)
    for job in TEST_JOBS:
        for line in lines_of(job, heading, 1):
            assert drawn(line) == drawn(line, 10_000)
