"""What a proof has found: stages with their evidence, the calibration that follows, and whether all of it holds."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Literal, NamedTuple

from pagereeve.domain.facts.jobs import JobDoor, JobState
from pagereeve.domain.facts.policy import BlankBacks
from pagereeve.domain.facts.reading import Unit
from pagereeve.ports.inspection import Inspection
from pagereeve.ports.meter import Version

Outcome = Literal["passed", "failed", "warned", "not-tried"]
StageName = Literal["name", "ports", "answer", "identity", "channels", "second-reader", "panel", "quiet", "pages"]

# How a whole proof ended.
Standing = Literal["passed", "failed", "not-tried"]
# Where one of these failed, nobody was there to prove anything of.
UNREACHED: Final[frozenset[StageName]] = frozenset({"name", "answer"})

# What a stage proves where it passes.
PROVES: Final[dict[StageName, str]] = {
    "name": "the host's name leads to an address",
    "ports": "print data get through to a print port",
    "answer": "SNMP requests are answered",
    "identity": "it is the printer that answers, not the gateway or another device",
    "channels": "its meter has a total that can be compared with pages",
    "second-reader": "an independent SNMP implementation reads the same figures",
    "panel": "the figure read is the one on the printer's panel",
    "quiet": "the counter does not move while nobody prints",
    "pages": "printed pages move the counter, and the step is known",
}


@dataclass(frozen=True, slots=True)
class Stage:
    """``advice`` says what to do; empty where nothing is to be done."""

    name: StageName
    outcome: Outcome
    tried: str
    came: str
    took_s: float = 0.0
    advice: str = ""


@dataclass(frozen=True, slots=True)
class Calibration:
    """What goes into the printer's entry. None and empty: not proven."""

    version: Version | None = None
    serial: str = ""
    object_id: str = ""
    unit: Unit | None = None
    blank_backs: BlankBacks = "unknown"
    separator_sheets: int | None = None
    settle_s: int | None = None


class JobSaid(NamedTuple):
    """What the printer itself said last of a job, by its own number; None is not said."""

    door: JobDoor
    number: int
    state: JobState
    impressions: int | None = None
    sheets: int | None = None


@dataclass(frozen=True, slots=True)
class JobSeen:
    """One test job and what the meter did. Seconds count from the moment at which the last byte was sent.

    ``before`` is the count when the job was sent. ``first_move_s`` and ``last_move_s`` are None where the
    count never moved; ``longest_pause_s`` is the longest pause between two movements; ``rested`` says
    that it came to rest in the time allowed. ``said`` is what the printer told of the jobs that came meanwhile, over
    each protocol for itself.
    """

    job: str
    pages: int
    copies: int
    two_sided: bool
    counted: int
    before: int | None = None
    first_move_s: float | None = None
    last_move_s: float | None = None
    longest_pause_s: float = 0.0
    rested: bool = True
    said: tuple[JobSaid, ...] = ()


@dataclass(frozen=True, slots=True)
class Proof:
    """One printer's proof. ``began_us`` is wall time; ``sheets_most`` how much paper was announced, 0 without pages."""

    printer: str
    place: str
    began_us: int
    stages: tuple[Stage, ...]
    calibration: Calibration = field(default_factory=Calibration)
    inspection: Inspection | None = None
    jobs: tuple[JobSeen, ...] = ()
    sheets_most: int = 0

    @property
    def passed(self) -> bool:
        """Nothing failed. A warning is for people to weigh, and what was not tried is not proven."""
        return all(stage.outcome != "failed" for stage in self.stages)

    @property
    def standing(self) -> Standing:
        """``not-tried``: nobody was reached, so that nothing is known of the meter."""
        if self.passed:
            return "passed"
        unreached = any(stage.outcome == "failed" and stage.name in UNREACHED for stage in self.stages)
        return "not-tried" if unreached else "failed"

    @property
    def verdict(self) -> str:
        """One line: where it ended, or what was proven."""
        failed = [stage for stage in self.stages if stage.outcome == "failed"]
        if failed:
            return f"failed at {failed[0].name}: {failed[0].came}"
        named = {kind: [one.name for one in self.stages if one.outcome == kind] for kind in ("warned", "not-tried")}
        words = "passed"
        if named["warned"]:
            words += f", with reservations: {', '.join(named['warned'])}"
        if named["not-tried"]:
            words += f", but for what was not tried: {', '.join(named['not-tried'])}"
        return words

    @property
    def proven(self) -> list[str]:
        """What may be relied on."""
        return [PROVES[stage.name] for stage in self.stages if stage.outcome == "passed"]

    @property
    def unproven(self) -> list[str]:
        """What may not, or not without a look at the stage."""
        why: dict[Outcome, str] = {"failed": "failed", "warned": "with reservations", "not-tried": "not tried"}
        return [f"{PROVES[one.name]} ({why[one.outcome]})" for one in self.stages if one.outcome != "passed"]
