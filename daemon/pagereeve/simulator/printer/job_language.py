"""Our own invented job language: one JSON header line, then ``size_bytes`` of anything."""

from __future__ import annotations

import json
from typing import Any, Final, get_args

from pagereeve.domain.facts.ticket import NUMBER_UP_MAX, Sides
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.fields import Fields
from pagereeve.simulator.errors import BadJob
from pagereeve.simulator.printer.model import JOB_BYTES_MAX, JOB_COPIES_MAX, JOB_PAGES_MAX, Cause, PrintJob

HEADER_MAX_BYTES: Final = 4096
SEPARATORS_MAX: Final = 10


def header_of(job: PrintJob) -> bytes:
    """The header line of a job, with its terminator."""
    members = {
        "job": job.name,
        "pages": job.pages,
        "copies": job.copies,
        "sides": job.sides,
        "number_up": job.number_up,
        "separator_sheets": job.separator_sheets,
        "size_bytes": job.size_bytes,
        "cause": job.cause,
    }
    return json.dumps(members, separators=(",", ":")).encode() + b"\n"


def job_of(header: bytes) -> PrintJob:
    """The job that a header line states. Raises BadJob, which names the member."""
    try:
        fields = Fields(_members(header), "header")
        sides: Sides | None = fields.optional_choice("sides", get_args(Sides))
        cause: Cause | None = fields.optional_choice("cause", ("job", "past-queue"))
        job = PrintJob(
            name=fields.text("job", 200),
            pages=fields.integer("pages", 0, JOB_PAGES_MAX),
            copies=fields.optional_integer("copies", 1, JOB_COPIES_MAX) or 1,
            sides=sides or "one-sided",
            number_up=fields.optional_integer("number_up", 1, NUMBER_UP_MAX) or 1,
            separator_sheets=fields.optional_integer("separator_sheets", 0, SEPARATORS_MAX) or 0,
            size_bytes=fields.optional_integer("size_bytes", 0, JOB_BYTES_MAX) or 0,
            cause=cause or "job",
        )
        fields.finish()
    except BadFact as error:
        raise BadJob(f"job header: {error}") from error
    return job


def _members(header: bytes) -> Any:
    try:
        return json.loads(header)
    except (ValueError, RecursionError) as error:
        raise BadJob(f"job header is no JSON line ({error}); it prints as text") from error
