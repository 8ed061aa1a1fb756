"""Complaints as one page for people, and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from pagereeve.domain.values.instants import SECOND_US, to_text
from pagereeve.reports.doctor.complaint import Complaint
from pagereeve.reports.doctor.state import MIB, InstallationState, day_size


def doctor_text(seen: InstallationState, complaints: Sequence[Complaint]) -> str:
    """One page for people: what is wrong, then what is worth knowing."""
    wrong, advice = _parted(complaints)
    lines = ["Nothing is wrong."]
    if wrong:
        number = "One thing is" if len(wrong) == 1 else f"{len(wrong)} things are"
        lines = [f"{number} wrong{'' if len(wrong) == 1 else ', the worst first'}."]
    for place, one in enumerate(wrong, start=1):
        lines += ["", f"{place}. {one.severity.upper()}  {one.what}", f"   {one.why}", f"   What to do: {one.do}"]
    if advice:
        lines += ["", "Worth knowing:"]
    for one in advice:
        lines += ["", f"-  {one.what}", f"   {one.why}", f"   What to do: {one.do}"]
    return "\n".join([*lines, "", f"Looked at: {_looked_at(seen)}."])


def _parted(complaints: Sequence[Complaint]) -> tuple[list[Complaint], list[Complaint]]:
    return [one for one in complaints if not one.advice], [one for one in complaints if one.advice]


def _looked_at(seen: InstallationState) -> str:
    none = "not to be seen" if seen.data_dir_trouble else "none yet"
    size = none if seen.journal_bytes is None else f"{seen.journal_bytes / MIB:.1f} MiB"
    printers = "1 printer" if seen.printers == 1 else f"{seen.printers} printers"
    free = "" if seen.disk_free_bytes is None else f", {seen.disk_free_bytes / MIB / 1024:.1f} GiB free on its disk"
    if free and seen.disk_lasts_days is not None:
        free += f", enough for {_years(seen.disk_lasts_days)} at {day_size(seen)} a day"
    relay = "" if seen.relay is None else f"the relay at {seen.relay.socket}, "
    return (
        f"the settings, {relay}the daemon at {seen.listen}, the journal in {seen.data_dir} ({size}, write-ahead file "
        f"{seen.wal_bytes / MIB:.1f} MiB{free}), {printers}, findings, receivers, secrets, the clock"
    )


def _years(days: float) -> str:
    if days < 1:
        return "less than a day"
    if days < 730:
        return f"{int(days)} days" if days >= 2 else "a day"
    return f"{int(days / 365)} years" if days < 36_500 else "a century or more"


def doctor_json(seen: InstallationState, complaints: Sequence[Complaint]) -> dict[str, Any]:
    wrong, advice = _parted(complaints)
    return {
        "at": to_text(seen.now_us),
        "complaints": [_json(one) for one in wrong],
        "advice": [_json(one) for one in advice],
        "relay": None
        if seen.relay is None
        else {"answers": not seen.relay.trouble, "held": seen.relay.held, "taken": seen.relay.taken},
        "daemon": {"answers": seen.not_ready is not None, "not_ready": dict(seen.not_ready or {})},
        "journal_bytes": seen.journal_bytes,
        "wal_bytes": seen.wal_bytes,
        "disk_free_bytes": seen.disk_free_bytes,
        "disk_lasts_days": None if seen.disk_lasts_days is None else round(seen.disk_lasts_days, 1),
        "journal_growth_day_bytes": round(seen.growth_day_bytes),
        "last_backup": None if seen.backup_us is None else to_text(seen.backup_us),
        "clock_synchronised": seen.clock_kept,
        "clock_ahead_s": seen.ahead_us // SECOND_US,
        "printers": seen.printers,
        "open_findings": sum(seen.findings.values()),
    }


def _json(one: Complaint) -> dict[str, str]:
    return {"severity": one.severity, "what": one.what, "why": one.why, "do": one.do}
