"""What a simulated printer is made of: its spec, its jobs, what it printed, what it shows."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Literal

from pagereeve.domain.facts.reading import ERROR_BITS
from pagereeve.domain.facts.ticket import Sides
from pagereeve.domain.values.instants import SECOND_US

MeterUnit = Literal["impressions", "sheets", "hours", "meters"]
Cause = Literal["job", "past-queue", "copy", "start-up-page"]
JobHabit = Literal["none", "counted", "uncounted", "doubled", "forgetful"]
"""What a printer tells of its jobs: nothing; the truth; each with 0 impressions, or twice as many (apple/cups#4991);
or the truth, and nothing once one is over (apple/cups#4079).
"""
AsleepAnswers = Literal["always", "sometimes", "after-the-first"]

# PrtMarkerCounterUnitTC, RFC 3805 section 6.
UNIT_CODES: Final[dict[MeterUnit, int]] = {"impressions": 7, "sheets": 8, "hours": 11, "meters": 17}

JOB_PAGES_MAX = 100_000
JOB_COPIES_MAX = 1_000
JOB_BYTES_MAX = 1_000_000_000
SPOOLED_MAX = 256


@dataclass(frozen=True, slots=True)
class PrinterSpec:
    """How one printer behaves. Durations are microseconds of the clock that drives it.

    first_sheet_us   from a job's arrival at a ready printer to its first sheet being fed
    lag_us           how long the shown count trails the marked one
    save_every       the count is saved at its multiples; a power cut falls back to the last one
    buffer_bytes     what the print port takes in before it makes its sender wait
    sleep_after_us   idle time after which it sleeps and says ``other``; None is never
    ignores_sides, ignores_copies, banner_sheets   what it makes of documents in page languages
    job_rows, job_rows_us   what it tells of its jobs, and for how long after their ends
    says_unit        whether its agent says in what unit its counter steps
    still_marker     the count of a second marker, which never moves; None where there is none
    jitter_permille  how much a sheet's time may differ from the rated one, either way
    """

    name: str
    serial: str = "SIM-0001"
    object_id: tuple[int, ...] = (1, 3, 6, 1, 4, 1, 32473, 7, 1)
    description: str = "Simulated printer"
    start_count: int = 1_000
    unit: MeterUnit = "impressions"
    impressions_per_minute: int = 600
    warm_up_us: int = 2 * SECOND_US
    first_sheet_us: int = SECOND_US
    lag_us: int = 0
    counts_at: Literal["feed", "exit"] = "exit"
    counts_blank_backs: bool = False
    copies_squared: bool = False
    ignores_sides: bool = False
    ignores_copies: bool = False
    banner_sheets: int = 0
    buffer_bytes: int = 1_000_000
    save_every: int = 1
    modulus: int = 2**32
    at_power_cut: Literal["lose-jobs", "resume-jobs"] = "lose-jobs"
    start_up_page: bool = False
    sleep_after_us: int | None = None
    asleep_answers: AsleepAnswers = "always"
    awake_us: int = 5 * SECOND_US
    reprints_jammed_sheet: bool = True
    jitter_permille: int = 0
    job_rows: JobHabit = "none"
    job_rows_us: int = 60 * SECOND_US
    says_unit: bool = True
    still_marker: int | None = None


@dataclass(frozen=True, slots=True)
class PrintJob:
    """What reaches the printer. ``pages`` are logical pages of one copy; ``separator_sheets`` are for the whole job."""

    name: str
    pages: int
    copies: int = 1
    sides: Sides = "one-sided"
    number_up: int = 1
    separator_sheets: int = 0
    size_bytes: int = 0
    cause: Cause = "job"


@dataclass(frozen=True, slots=True)
class Sheet:
    """``content`` sides carry something, ``passes`` sides pass the marker."""

    content: int
    passes: int

    def steps(self, unit: MeterUnit) -> int:
        """By how much it moves a meter of that unit."""
        if unit == "impressions":
            return self.passes
        return 1 if unit == "sheets" else 0


@dataclass(frozen=True, slots=True)
class Marked:
    """One sheet that passed the counting point: by ``steps`` of the meter's unit, in the printer's ``life``-th life."""

    at_us: int
    job: str
    cause: Cause
    impressions: int
    steps: int
    life: int


@dataclass(slots=True)
class MeterLife:
    """A stretch in which the counter can be subtracted, except for ``lost`` steps that power cuts undid."""

    serial: str
    since_us: int
    start_count: int
    lost: int = 0


@dataclass(frozen=True, slots=True)
class ShownState:
    """All that one SNMP answer can show of a printer (RFC 2790, RFC 3805). ``unit_code`` is None where it says none,
    ``still_count`` where it has no second marker.
    """

    life_count: int
    power_on_count: int
    unit_code: int | None
    printer_status: int
    device_status: int
    marker_status: int
    errors: tuple[str, ...]
    uptime_cs: int
    serial: str
    object_id: tuple[int, ...]
    description: str
    still_count: int | None = None


@dataclass(frozen=True, slots=True)
class Truth:
    """What a printer's meter should account for, in its own unit."""

    marked: int
    by_job: dict[str, int] = field(default_factory=dict)
    by_cause: dict[Cause, int] = field(default_factory=dict)
    lost: int = 0


def error_octets(names: tuple[str, ...]) -> bytes:
    """hrPrinterDetectedErrorState: bit 0 is the top bit of the first octet (RFC 2790 section 4); agents shorten it."""
    octets = bytearray(2)
    for name in names:
        bit = ERROR_BITS.index(name)
        octets[bit // 8] |= 0x80 >> bit % 8
    return bytes(octets) if octets[1] else bytes(octets[:1])
