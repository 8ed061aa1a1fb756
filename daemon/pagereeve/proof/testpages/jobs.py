"""Test pages that say what they are, in five languages; each job is made so that its count shows something.

One-sided pages show a sheet's least; three two-sided pages have a blank back; two copies show whether copies count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, assert_never

from pagereeve.proof.plan import Language
from pagereeve.proof.testpages import raster as rasterwriter
from pagereeve.proof.testpages import writers as pagewriters


@dataclass(frozen=True, slots=True)
class TestJob:
    """``name`` says what it is for, in reports and on the pages."""

    name: str
    pages: int
    copies: int = 1
    two_sided: bool = False


@dataclass(frozen=True, slots=True)
class Heading:
    """What the pages say besides: ``date`` is passed in, so that a document depends on nothing else."""

    printer: str
    date: str
    nth: int
    of: int


TEST_JOBS: Final = (
    TestJob("one-sided, 2 pages", 2),
    TestJob("two-sided, 3 pages", 3, two_sided=True),
    TestJob("2 copies of 1 page", 1, copies=2),
)


def sheets_of_two_sided() -> tuple[int, int]:
    """The sheets that the two-sided job gives where it is obeyed, and where a printer prints it one-sided."""
    (job,) = (one for one in TEST_JOBS if one.two_sided)
    return (job.pages + 1) // 2 * job.copies, job.pages * job.copies


def sheets_at_most(jobs: Sequence[TestJob]) -> int:
    """Paper that the jobs use where a printer ignores two-sided."""
    return sum(job.pages * job.copies for job in jobs)


def can(language: Language, job: TestJob) -> str:
    """Why the language can't express the job; empty where it can. What ``text`` can't, ``pjl`` can."""
    if language == "text" and job.two_sided:
        return "plain text can't ask for two-sided"
    if language == "text" and job.copies > 1:
        return "plain text can't ask for copies"
    return ""


def document(job: TestJob, language: Language, heading: Heading) -> bytes:
    """The job as a printer takes it. Raises ValueError for what the language can't express."""
    if reason := can(language, job):
        raise ValueError(reason)
    pages = [lines_of(job, heading, page) for page in range(1, job.pages + 1)]
    match language:
        case "text":
            return pagewriters.plain_text(pages)
        case "pjl":
            return pagewriters.pjl_text(pages, job.copies, two_sided=job.two_sided)
        case "postscript":
            return pagewriters.postscript(pages, job.copies, two_sided=job.two_sided)
        case "pcl":
            return pagewriters.pcl(pages, job.copies, two_sided=job.two_sided)
        case "pwg":
            return rasterwriter.pwg_raster(pages, job.copies, two_sided=job.two_sided)
    assert_never(language)


def lines_of(job: TestJob, heading: Heading, page: int) -> list[str]:
    """The text of one page, printable characters only."""
    lines = [
        "Pagereeve test page",
        f"printer {heading.printer}",
        f"date {heading.date}",
        f"job {heading.nth} of {heading.of}: {job.name}",
        f"page {page} of {job.pages}",
        "Its only purpose is to move the page counter. Recycle it.",
    ]
    return ["".join(letter if " " <= letter <= "~" else "?" for letter in line)[:100] for line in lines]
