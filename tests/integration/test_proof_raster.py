"""PWG raster test pages judged by foreign software: CUPS reads them, Ghostscript renders what CUPS made of them, and
Ghostscript's own raster writer puts the same figures at the same places of the header.
"""

from __future__ import annotations

import re
import struct
import subprocess
from pathlib import Path

import pytest

from pagereeve.proof.testpages.jobs import TEST_JOBS, Heading, document, lines_of
from pagereeve.proof.testpages.jobs import TestJob as Job
from pagereeve.proof.testpages.raster import DPI, HEADER_BYTES, PAGE_PIXELS, SYNC, drawn
from tests.integration.foreign import tool

WIDTH, HEIGHT = PAGE_PIXELS
HEADING = Heading("north-1 (x) \\y", "2026-11-25", 1, 1)
ALL_JOBS = [*TEST_JOBS, Job("many", 9, copies=3, two_sided=True)]


def converted(command: str, raster: bytes, folder: Path, *, whole: bool = True) -> tuple[bytes, str]:
    """What a print command of ippeveprinter makes of raster pages (ippevepcl(7)), and its messages.

    A status other than 0 is a failure where the raster is ``whole``.
    """
    source = folder / "page.pwg"
    source.write_bytes(raster)
    argv = [tool(command, "cups-ipp-utils"), str(source)]
    environment = {"CONTENT_TYPE": "image/pwg-raster"}
    done = subprocess.run(argv, env=environment, capture_output=True, timeout=60, check=whole)
    return done.stdout, done.stderr.decode()


def impressions(messages: str) -> int:
    """The sides of the job: the attribute that ippeveprinter(1) reads from its commands."""
    (sides,) = re.findall(r"^ATTR: job-impressions=(\d+)$", messages, re.MULTILINE)
    return int(sides)


def rendered(postscript: bytes, folder: Path) -> list[bytes]:
    """Pages in Ghostscript's pixels, an octet each; a figure of the file's head is a size in pixels."""
    source = folder / "page.ps"
    source.write_bytes(postscript)
    options = ["-q", "-dBATCH", "-dNOPAUSE", "-dSAFER", "-sDEVICE=pgmraw", f"-r{DPI}", f"-g{WIDTH}x{HEIGHT}"]
    pattern = f"-sOutputFile={folder}/page-%03d.pgm"
    subprocess.run([tool("gs", "ghostscript"), *options, pattern, str(source)], timeout=60, check=True)
    pages = []
    for path in sorted(folder.glob("page-*.pgm")):
        head = re.match(rb"P5\s+(?:#.*\n)?(\d+) (\d+)\s+255\n", path.read_bytes())
        assert head is not None
        assert (int(head[1]), int(head[2])) == PAGE_PIXELS
        pages.append(path.read_bytes()[head.end() :])
    return pages


@pytest.mark.parametrize("job", ALL_JOBS, ids=lambda job: job.name)
def test_cups_reads_every_pixel_that_was_drawn(job: Job, tmp_path: Path) -> None:
    postscript, messages = converted("ippeveps", document(job, "pwg", HEADING), tmp_path)
    assert "ERROR" not in messages
    assert impressions(messages) == job.pages
    pages = rendered(postscript, tmp_path)
    expected = [b"".join(drawn(lines_of(job, HEADING, page))) for page in range(1, job.pages + 1)]
    # Compared one by one: a difference of a million octets is nothing to print.
    assert [page == wanted for page, wanted in zip(pages, expected, strict=True)] == [True] * job.pages


@pytest.mark.parametrize("job", ALL_JOBS, ids=lambda job: job.name)
def test_cups_finds_size_resolution_and_sides_in_the_header(job: Job, tmp_path: Path) -> None:
    pcl, messages = converted("ippevepcl", document(job, "pwg", HEADING), tmp_path)
    assert "ERROR" not in messages
    assert impressions(messages) == job.pages
    sheets = (job.pages + 1) // 2 if job.two_sided else job.pages
    # Paper A4 and sides are set once a sheet, the resolution on every side (PCL 5; ippevepcl's own commands).
    assert pcl.count(b"\x1b&l26A") == sheets
    assert pcl.count(b"\x1b&l1S") == (sheets if job.two_sided else 0)
    assert pcl.count(b"\x1b&a2G") == job.pages - sheets
    assert pcl.count(b"\x1b*t%dR" % DPI) == job.pages


def test_cups_notices_a_page_that_lost_its_end(tmp_path: Path) -> None:
    # So what the other tests find equal was read from the file, to its end.
    cut = document(TEST_JOBS[0], "pwg", HEADING)[: len(SYNC) + HEADER_BYTES + 3000]
    postscript, _ = converted("ippeveps", cut, tmp_path, whole=False)
    assert rendered(postscript, tmp_path) != [b"".join(drawn(lines_of(TEST_JOBS[0], HEADING, 1)))]


@pytest.mark.parametrize("job", ALL_JOBS, ids=lambda job: job.name)
def test_ghostscript_writes_the_same_header(job: Job, tmp_path: Path) -> None:
    ours, theirs = document(job, "pwg", HEADING), ghostscript_raster(job, tmp_path)
    assert theirs[: len(SYNC)] == SYNC
    # Octets 256 to 451 of a header, every figure of them: media, sides, resolution, copies, sizes, colours.
    figures = slice(len(SYNC) + 256, len(SYNC) + 452)
    assert struct.unpack(">49I", ours[figures]) == struct.unpack(">49I", theirs[figures])
    assert ours[len(SYNC) : len(SYNC) + 64] == theirs[len(SYNC) : len(SYNC) + 64]


def ghostscript_raster(job: Job, folder: Path) -> bytes:
    source, result = folder / "job.ps", folder / "job.pwg"
    source.write_bytes(document(job, "postscript", HEADING))
    gray = ["-dcupsColorSpace=18", "-dcupsBitsPerColor=8", "-dcupsColorOrder=0"]
    options = ["-q", "-dBATCH", "-dNOPAUSE", "-dSAFER", "-sDEVICE=pwgraster", f"-r{DPI}", f"-g{WIDTH}x{HEIGHT}", *gray]
    argv = [tool("gs", "ghostscript"), *options, f"-sOutputFile={result}", str(source)]
    subprocess.run(argv, timeout=60, check=True, capture_output=True)
    return result.read_bytes()
