"""Findings for people on call, and as JSON."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.periods import local, local_text
from pagereeve.domain.alerts.advice import ADVICE
from pagereeve.domain.findings.wording import text_of, words_of
from pagereeve.domain.ledger import SEVERITIES, Finding
from pagereeve.domain.values.visible import visible
from pagereeve.reports.release_answer import CAUTION


def chosen_findings(findings: Iterable[Finding], printer: str | None = None) -> list[Finding]:
    """The worst first, then the oldest; of one printer where it is named."""
    known = [one for one in findings if printer is None or one.printer == printer]
    return sorted(known, key=lambda one: (SEVERITIES.index(one.severity), one.since_us, one.printer, one.id))


def findings_text(findings: Sequence[Finding], zone: ZoneInfo) -> str:
    """Each finding with its evidence and what to do first; how many of which severity there are; a caution."""
    lines = [line for one in findings for line in finding_lines(one, zone)]
    return "\n".join([*lines, findings_count(findings), *([CAUTION] if findings else [])])


def finding_lines(finding: Finding, zone: ZoneInfo) -> list[str]:
    def at(at_us: int) -> str:
        # A release and a reading may lie close together.
        return local(at_us, zone).isoformat(sep=" ", timespec="milliseconds")

    since = local_text(finding.since_us, zone)
    span = since if finding.until_us is None else f"{since} to {local_text(finding.until_us, zone)}"
    where = finding.printer or finding.place or "(no printer)"
    head = f"{finding.severity.upper():8} {finding.kind} at {visible(where)}, {span}, {finding.state} [{finding.id}]"
    lines = [head, f"         {visible(text_of(finding, at))}"]
    lines += [f"         - {visible(words_of(one, at))}" for one in finding.evidence]
    return [*lines, f"         First: {ADVICE[finding.kind].first}", ""] if finding.state == "open" else [*lines, ""]


def findings_count(findings: Sequence[Finding]) -> str:
    if not findings:
        return "No findings."
    counts = [(sum(one.severity == severity for one in findings), severity) for severity in SEVERITIES]
    by_severity = ", ".join(f"{count} {severity}" for count, severity in counts if count)
    return f"{len(findings)} finding{'s' if len(findings) != 1 else ''}: {by_severity}."
