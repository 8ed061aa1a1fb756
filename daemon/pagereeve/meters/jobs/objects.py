"""Objects of the Job Monitoring MIB that are asked for, and no others (RFC 2707 section 4).

Owners, names and hosts are among those that are never asked for. A submission id is only asked *after*: it is the index
under which a notice's own id is looked for, and stands in no value.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

from pagereeve.domain.facts.jobs import COUNT_MAX
from pagereeve.meters.snmp.ber import Varbind, number_or_none, oid_bytes

JOB_MIB: Final = "1.3.6.1.4.1.2699.1.1.1"
ACTIVE, NEWEST = f"{JOB_MIB}.1.1.1.2", f"{JOB_MIB}.1.1.1.4"
STATE, REASONS, IMPRESSIONS = f"{JOB_MIB}.3.1.1.2", f"{JOB_MIB}.3.1.1.3", f"{JOB_MIB}.3.1.1.8"
JOB_ID_SET, JOB_ID_JOB = f"{JOB_MIB}.2.1.1.2", f"{JOB_MIB}.2.1.1.3"
_ATTRIBUTE: Final = f"{JOB_MIB}.4.1.1.3"

# JmAttributeTypeTC: full-color impressions, pages, sheets completed; the kinds of work, and the way in.
COLOUR, PAGES, SHEETS, SERVICE, CHANNEL = 114, 131, 151, 24, 25
ATTRIBUTES: Final = (SHEETS, PAGES, COLOUR, SERVICE, CHANNEL)


@lru_cache(maxsize=4096)
def general(column: str, job_set: int) -> bytes:
    return oid_bytes(f"{column}.{job_set}")


@lru_cache(maxsize=4096)
def row(job_set: int, job: int) -> tuple[bytes, bytes, bytes]:
    """State, reasons and impressions of a job."""
    index = f"{job_set}.{job}"
    return oid_bytes(f"{STATE}.{index}"), oid_bytes(f"{REASONS}.{index}"), oid_bytes(f"{IMPRESSIONS}.{index}")


@lru_cache(maxsize=256)
def of_id(submission_id: str) -> tuple[bytes, bytes]:
    """Job set and number of the job of that id: 48 sub-identifiers without a length in front (jmJobIDEntry)."""
    index = ".".join(str(octet) for octet in submission_id.encode("ascii"))
    return oid_bytes(f"{JOB_ID_SET}.{index}"), oid_bytes(f"{JOB_ID_JOB}.{index}")


@lru_cache(maxsize=1024)
def attribute(job_set: int, job: int, kind: int) -> bytes:
    """The first value of an attribute as an integer."""
    return oid_bytes(f"{_ATTRIBUTE}.{job_set}.{job}.{kind}.1")


def count(varbind: Varbind | None) -> int | None:
    """A count; -2 is unknown and -1 other (RFC 2707 section 3.3.2), and any other negative or too large one is none."""
    value = number_or_none(varbind)
    return value if value is not None and 0 <= value <= COUNT_MAX else None
