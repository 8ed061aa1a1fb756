"""What a printer itself says of one print job: the fact, and the words that it is made of.

A job is a number here and nothing else: no owner, name, host or address of a job is ever part of a fact.
"""

from __future__ import annotations

from typing import Final, Literal

from pagereeve.domain.values.records import dataclass

JobDoor = Literal["snmp", "ipp"]
"""Through which protocol the printer said it: the Job Monitoring MIB (RFC 2707), or IPP (RFC 8011)."""
JobState = Literal["unknown", "pending", "held", "processing", "stopped", "cancelled", "aborted", "completed", "gone"]
"""JmJobStateTC (RFC 2707 section 3.3) and job-state (RFC 8011 section 5.3.7). ``gone``: its row went before anybody saw
it end, so that its counts are what was seen last.
"""
JOB_MAX: Final = 2**31 - 1
"""jmJobIndex and job-id are positive signed integers of 32 bits (RFC 2707 section 4, RFC 8011 section 5.3.2)."""
CHANNEL_MAX: Final = 2**31 - 1
COUNT_MAX: Final = 2**31 - 1

ENDED: Final[frozenset[JobState]] = frozenset({"cancelled", "aborted", "completed"})
"""States in which all counts are final (RFC 2707 JmJobStateTC, RFC 8011 section 5.3.18)."""
PRINTING: Final[frozenset[JobState]] = frozenset({"processing", "stopped"})


@dataclass(frozen=True, slots=True)
class Within:
    """Something happened at an instant of our clock after ``from_us`` and not later than ``until_us``."""

    from_us: int
    until_us: int


@dataclass(frozen=True, slots=True)
class NamedBy:
    """The release whose notice names a printer's job. By what it names it is not kept."""

    source: str
    release: str


@dataclass(frozen=True, slots=True)
class JobCounts:
    """What a job has made so far, copies included; None is unknown, and a 0 says no more than that nothing is known.

    ``impressions`` are sides, ``sheets`` sheets, ``pages`` sides of the document, ``colour`` sides in full colour.
    """

    impressions: int | None = None
    sheets: int | None = None
    pages: int | None = None
    colour: int | None = None


NOT_COUNTED: Final = JobCounts()


@dataclass(frozen=True, slots=True)
class JobCounted:
    """A printer's own word on one job, as one look showed it: written when its state or a count is other than before.

    The look began at ``sent_us``; the job's row was in hand at ``received_us``. ``set`` is the job set of the MIB (0
    for IPP), ``epoch`` grows by one when numbers begin anew. ``began`` and ``ended`` are when its printing began and
    when it was over, as far as looks show it; None: not yet, or not known. ``service`` are the bits of its kind of
    work (4: print), ``channel`` is the number of the way by which it came in (RFC 2707: prtChannelIndex).
    ``named_by`` is the release whose notice names this job, by its submission id or its UUID.
    """

    printer: str
    door: JobDoor
    job: int
    sent_us: int
    received_us: int
    state: JobState
    set: int = 0
    epoch: int = 1
    reasons: int = 0
    counts: JobCounts = NOT_COUNTED
    service: int | None = None
    channel: int | None = None
    began: Within | None = None
    ended: Within | None = None
    named_by: NamedBy | None = None

    @property
    def key(self) -> tuple[JobDoor, int, int, int]:
        """One job of the printer, whatever is said of it."""
        return (self.door, self.set, self.epoch, self.job)

    @property
    def is_over(self) -> bool:
        """Its counts are final."""
        return self.state in ENDED
