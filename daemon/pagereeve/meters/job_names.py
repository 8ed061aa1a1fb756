"""What a notice calls a job, where that is an id of the printer's own kind: a typed value, and no title."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Final

# RFC 2707 section 3.5.1: an octet for the format, 39 and 8 octets of printable US-ASCII, always 48; formats 0 to 9 and
# A to G (section 4, jmJobSubmissionID).
_SUBMISSION_ID: Final = re.compile(r"[0-9A-G][\x20-\x7e]{47}")
# job-uuid (PWG 5100.13) is a URN (RFC 9562 section 4).
_UUID: Final = re.compile(r"urn:uuid:[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", re.IGNORECASE)
NAMED_MAX: Final = 3


def submission_ids(names: Iterable[str]) -> list[str]:
    """Of these names those that may stand in jmJobIDTable; the first few."""
    return [name for name in names if _SUBMISSION_ID.fullmatch(name)][:NAMED_MAX]


def job_uuids(names: Iterable[str]) -> dict[bytes, str]:
    """Of these names those that job-uuid may be, by how they are compared."""
    return {name.lower().encode(): name for name in names if _UUID.fullmatch(name)}
