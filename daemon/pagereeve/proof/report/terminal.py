"""A proof for a terminal and as JSON."""

from __future__ import annotations

from typing import Any, Final

from pagereeve.domain.facts.reading import UnitGrade
from pagereeve.domain.values.instants import to_text
from pagereeve.proof.jobs_told import said_text
from pagereeve.proof.results import JobSeen, Outcome, Proof, Stage

MARKS: Final[dict[Outcome, str]] = {"passed": "ok", "failed": "FAILED", "warned": "warning", "not-tried": "not tried"}
BOUNDS: Final = "It says nothing about who took pages, and nothing about pages that don't pass this printer."


def caution(proof: Proof) -> str:
    """What may be concluded from it: never more than its stages showed."""
    if not proof.passed:
        return "This proof failed. Do not charge by this printer's meter until a proof has passed."
    if any(stage.name == "pages" and stage.outcome != "not-tried" for stage in proof.stages):
        return f"The proof shows that the meter counts this printer's pages. {BOUNDS}"
    return f"No page was printed: whether the meter counts this printer's pages is not proven. {BOUNDS}"


def proof_json(proof: Proof, fragment: str) -> dict[str, Any]:
    """``passed`` is false where any stage failed; ``entry`` is the printer's entry as TOML."""
    found = proof.calibration
    return {
        "printer": proof.printer,
        "place": proof.place,
        "began": to_text(proof.began_us),
        "passed": proof.passed,
        "verdict": proof.verdict,
        "proven": proof.proven,
        "not_proven": proof.unproven,
        "stages": [_stage_json(stage) for stage in proof.stages],
        "jobs": [_job_json(job) for job in proof.jobs],
        "sheets_at_most": proof.sheets_most,
        "calibration": {
            "version": found.version,
            "serial": found.serial,
            "object_id": found.object_id,
            "unit": None if found.unit is None else found.unit.value,
            "unit_grade": None if found.unit is None else UnitGrade.PROVEN.value,
            "blank_backs": found.blank_backs,
            "separator_sheets": found.separator_sheets,
            "settle_s": found.settle_s,
        },
        "entry": fragment,
    }


def _stage_json(stage: Stage) -> dict[str, Any]:
    return {
        "name": stage.name,
        "outcome": stage.outcome,
        "tried": stage.tried,
        "came": stage.came,
        "took_s": round(stage.took_s, 3),
        "advice": stage.advice,
    }


def _job_json(job: JobSeen) -> dict[str, Any]:
    return {
        "job": job.job,
        "pages": job.pages,
        "copies": job.copies,
        "two_sided": job.two_sided,
        "counted": job.counted,
        "first_move_s": _rounded(job.first_move_s),
        "last_move_s": _rounded(job.last_move_s),
        "longest_pause_s": _rounded(job.longest_pause_s),
        "rested": job.rested,
        "said": [one._asdict() for one in job.said],
    }


def _rounded(seconds: float | None) -> float | None:
    return None if seconds is None else round(seconds, 3)


def proof_text(proof: Proof, fragment: str) -> str:
    """One printer, stage by stage."""
    lines = [f"{proof.printer} ({proof.place}), {to_text(proof.began_us)[:19]}Z: {proof.verdict}", ""]
    for stage in proof.stages:
        duration = f" ({stage.took_s:.1f} s)" if stage.took_s >= 0.05 else ""
        lines.append(f"  {MARKS[stage.outcome]:10} {stage.name:14} {stage.came}{duration}")
        lines += [f"  {'':10} {'':14} -> {stage.advice}"] if stage.advice else []
    lines += ["", *(job_line(job) for job in proof.jobs)] if proof.jobs else []
    # What failed leaves the entry as it is: nothing to paste.
    end = [f"    {line}" for line in fragment.splitlines()] if proof.passed else [caution(proof)]
    return "\n".join([*lines, "", *end, ""])


def job_line(job: JobSeen) -> str:
    moved = "the count never moved"
    if job.first_move_s is not None and job.last_move_s is not None:
        moved = (
            f"first step after {job.first_move_s:.1f} s, last after {job.last_move_s:.1f} s, "
            f"longest pause {job.longest_pause_s:.1f} s"
        )
    rested = "" if job.rested else "; it did not come to rest"
    said = "".join(f"; {said_text(one)}" for one in job.said)
    return f"  {job.job}: counted {job.counted}; {moved}{rested}{said}"
