"""Complaints as one page for people, and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from pagereeve.domain.values.instants import to_text
from pagereeve.reports.doctor.complaint import Complaint
from pagereeve.reports.doctor.state import MIB, InstallationState


def doctor_text(seen: InstallationState, complaints: Sequence[Complaint]) -> str:
    """One page for people."""
    lines = []
    if complaints:
        number = "One thing is" if len(complaints) == 1 else f"{len(complaints)} things are"
        lines.append(f"{number} wrong{'' if len(complaints) == 1 else ', the worst first'}.")
    for place, one in enumerate(complaints, start=1):
        lines += ["", f"{place}. {one.severity.upper()}  {one.what}", f"   {one.why}", f"   What to do: {one.do}"]
    if not complaints:
        lines.append("Nothing is wrong.")
    return "\n".join([*lines, "", f"Looked at: {_looked_at(seen)}."])


def _looked_at(seen: InstallationState) -> str:
    size = "none yet" if seen.journal_bytes is None else f"{seen.journal_bytes / MIB:.1f} MiB"
    printers = "1 printer" if seen.printers == 1 else f"{seen.printers} printers"
    free = "" if seen.disk_free_bytes is None else f", {seen.disk_free_bytes / MIB / 1024:.1f} GiB free on its disk"
    relay = "" if seen.relay is None else f"the relay at {seen.relay.socket}, "
    return (
        f"the settings, {relay}the daemon at {seen.listen}, the journal in {seen.data_dir} ({size}, write-ahead file "
        f"{seen.wal_bytes / MIB:.1f} MiB{free}), {printers}, findings, receivers, secrets, the clock"
    )


def doctor_json(seen: InstallationState, complaints: Sequence[Complaint]) -> dict[str, Any]:
    return {
        "at": to_text(seen.now_us),
        "complaints": [
            {"severity": one.severity, "what": one.what, "why": one.why, "do": one.do} for one in complaints
        ],
        "relay": None
        if seen.relay is None
        else {"answers": not seen.relay.trouble, "held": seen.relay.held, "taken": seen.relay.taken},
        "daemon": {"answers": seen.not_ready is not None, "not_ready": dict(seen.not_ready or {})},
        "journal_bytes": seen.journal_bytes,
        "wal_bytes": seen.wal_bytes,
        "disk_free_bytes": seen.disk_free_bytes,
        "printers": seen.printers,
        "open_findings": sum(seen.findings.values()),
    }
