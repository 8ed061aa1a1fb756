"""PostScript test pages judged by Ghostscript."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from pagereeve.proof.testpages.jobs import TEST_JOBS, Heading, document
from pagereeve.proof.testpages.jobs import TestJob as Job
from tests.integration.foreign import tool


@pytest.mark.parametrize("job", [*TEST_JOBS, Job("many", 9, two_sided=True)])
def test_ghostscript_finds_as_many_pages_and_no_error(job: Job, tmp_path: Path) -> None:
    source = tmp_path / "page.ps"
    source.write_bytes(document(job, "postscript", Heading("x) (\\y", "2026-11-25", 1, 1)))
    command = [tool("gs", "ghostscript"), "-q", "-dBATCH", "-dNOPAUSE", "-dSAFER", "-sDEVICE=bbox", str(source)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True)
    boxes = [line for line in done.stderr.splitlines() if line.startswith("%%BoundingBox")]
    assert len(boxes) == job.pages
    # Something was drawn on every page.
    assert all(box.split()[3:] != ["0", "0"] for box in boxes)
    assert "rror" not in done.stdout
