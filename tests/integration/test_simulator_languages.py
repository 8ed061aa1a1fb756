"""The simulated printer counts jobs that foreign software wrote: Ghostscript's PCL and raster, and CUPS' PCL.

Ghostscript's are made of our PostScript test pages, so its commands for copies and sides judge ours in PCL too.
"""

from __future__ import annotations

import struct
import subprocess
from pathlib import Path

import pytest

from pagereeve.proof.testpages.jobs import TEST_JOBS, Heading, document
from pagereeve.proof.testpages.jobs import TestJob as Job
from pagereeve.simulator.printer.page_languages import job_in
from tests.integration.foreign import tool

HEADING = Heading("north-1", "2026-11-25", 1, 1)
ALL_JOBS = [*TEST_JOBS, Job("many", 9, copies=3, two_sided=True)]


def ghostscript(job: Job, device: str, folder: Path, *more: str) -> bytes:
    source, result = folder / "job.ps", folder / "job.out"
    source.write_bytes(document(job, "postscript", HEADING))
    options = ["-q", "-dBATCH", "-dNOPAUSE", "-dSAFER", f"-sDEVICE={device}", "-r75", f"-sOutputFile={result}", *more]
    subprocess.run([tool("gs", "ghostscript"), *options, str(source)], timeout=60, check=True, capture_output=True)
    return result.read_bytes()


def counted(data: bytes) -> tuple[int, int, bool]:
    job = job_in(data)
    return job.pages, job.copies, job.sides != "one-sided"


@pytest.mark.parametrize("job", ALL_JOBS, ids=lambda job: job.name)
def test_ghostscripts_pcl_and_our_commands_in_it(job: Job, tmp_path: Path) -> None:
    theirs, ours = ghostscript(job, "ljet4d", tmp_path), document(job, "pcl", HEADING)
    assert counted(theirs) == counted(ours) == (job.pages, job.copies, job.two_sided)
    # Reset at both ends, copies, sides; a form feed ends the last page.
    for command in (b"\x1b&l%dX" % job.copies, b"\x1b&l%dS" % job.two_sided):
        assert ours.count(command) == 1
        assert command in theirs
    for data in (ours, theirs):
        assert data.startswith(b"\x1bE")
        assert data.endswith(b"\x1bE")


@pytest.mark.parametrize(("colours", "pixel_bits"), [(3, 1), (18, 8), (19, 24)], ids=["black", "gray", "colour"])
@pytest.mark.parametrize("job", ALL_JOBS, ids=lambda job: job.name)
def test_ghostscripts_raster(job: Job, colours: int, pixel_bits: int, tmp_path: Path) -> None:
    bits = [f"-dcupsColorSpace={colours}", f"-dcupsBitsPerColor={min(pixel_bits, 8)}", "-dcupsColorOrder=0"]
    raster = ghostscript(job, "pwgraster", tmp_path, *bits)
    assert struct.unpack_from(">I", raster, 4 + 388) == (pixel_bits,)
    assert counted(raster) == (job.pages, job.copies, job.two_sided)


@pytest.mark.parametrize("job", ALL_JOBS, ids=lambda job: job.name)
def test_pcl_that_cups_made_of_our_raster(job: Job, tmp_path: Path) -> None:
    # The other side of a sheet is chosen by a command and no form feed, and nothing ends the last sheet.
    source = tmp_path / "job.pwg"
    source.write_bytes(document(job, "pwg", HEADING))
    argv = [tool("ippevepcl", "cups-ipp-utils"), str(source)]
    environment = {"CONTENT_TYPE": "image/pwg-raster"}
    done = subprocess.run(argv, env=environment, capture_output=True, timeout=60, check=True)
    # It leaves copies to ippeveprinter.
    assert counted(done.stdout) == (job.pages, 1, job.two_sided)


def test_ghostscripts_pjl_frame(tmp_path: Path) -> None:
    # The one PJL that Debian's Ghostscript writes in front of PCL: no sides, no copies.
    theirs, ours = ghostscript(TEST_JOBS[2], "ljet4pjl", tmp_path), document(TEST_JOBS[2], "pjl", HEADING)
    uel = b"\x1b%-12345X@PJL"
    assert theirs.startswith(uel)
    assert ours.startswith(uel)
    assert b"@PJL ENTER LANGUAGE = PCL\r\n" in theirs
    assert b"@PJL ENTER LANGUAGE=PCL\r\n" in ours
    assert counted(theirs) == (1, 2, False)
