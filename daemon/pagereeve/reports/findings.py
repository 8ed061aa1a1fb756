"""Findings for people on call, and as JSON."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import Final
from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.periods import local, local_text
from pagereeve.domain.alerts.advice import ADVICE
from pagereeve.domain.alerts.alert import UNIT_ASSUMED
from pagereeve.domain.brackets.hypotheses import HINT_PREFIX
from pagereeve.domain.findings.surplus import KIND as SURPLUS_KIND
from pagereeve.domain.findings.wording import At, text_of, words_of
from pagereeve.domain.ledger import SEVERITIES, Evidence, EvidenceKind, Finding
from pagereeve.domain.values.amounts import Figure, amount
from pagereeve.domain.values.visible import visible
from pagereeve.queries.units import UnitStanding
from pagereeve.reports.release_answer import CAUTION
from pagereeve.reports.sentences import reason_text
from pagereeve.reports.units import some, units_line

NOTHING_BOOKED: Final[Mapping[str, int]] = MappingProxyType({})


def chosen_findings(findings: Iterable[Finding], printer: str | None = None) -> list[Finding]:
    """The worst first, then the oldest; of one printer where it is named."""
    known = [one for one in findings if printer is None or one.printer == printer]
    return sorted(known, key=lambda one: (SEVERITIES.index(one.severity), one.since_us, one.printer, one.id))


def findings_text(
    findings: Sequence[Finding],
    zone: ZoneInfo,
    booked: Mapping[str, int] = NOTHING_BOOKED,
    units: Sequence[UnitStanding] = (),
) -> str:
    """Each finding with its evidence and what to do first; how many of which severity there are; a caution.

    ``booked``: by finding, how many pages of a surplus the ledger charges nobody for. ``units`` are those of the
    printers whose counts they are about.
    """
    alike = [one for one in findings if _is_of_a_fleet(one)]
    models: dict[str, list[Finding]] = {}
    for one in alike:
        models.setdefault(str(one.what.value("model") or ""), []).append(one)
    fleets = [group for group in models.values() if len(group) > 1]
    told = {one.id for group in fleets for one in group}
    shown = [one for one in findings if one.id not in told]
    lines = [line for one in shown for line in finding_lines(one, zone, booked.get(one.id))]
    lines += [line for group in fleets for line in _fleet_lines(group, zone)]
    ends = [findings_count(findings), units_line(units), CAUTION if findings else ""]
    return "\n".join([*lines, *filter(None, ends)])


def _is_of_a_fleet(finding: Finding) -> bool:
    """It says the same of each printer of its model: a fleet of them is one thing to know."""
    return finding.kind == UNIT_ASSUMED and finding.state == "open"


def _fleet_lines(group: Sequence[Finding], zone: ZoneInfo) -> list[str]:
    first = min(group, key=lambda one: one.since_us)
    printers = some(sorted({one.printer for one in group}))
    model = first.what.value("model")
    whose = f"of the model {visible(str(model))}" if model else "of an unknown model"
    since = local_text(first.since_us, zone)
    places = amount(len(group), "printer")
    return [
        f"{first.severity.upper():8} {first.kind} at {places} {whose}, since {since}, {first.state}",
        f"         {amount(len(group), 'printer runs', 'printers run')} on an assumed unit: {printers}",
        f"         First: {ADVICE[first.kind].first}",
        f"         Each of them: pagereeve findings --kind {first.kind} --json",
        "",
    ]


def finding_lines(finding: Finding, zone: ZoneInfo, booked: int | None = None) -> list[str]:
    def at(at_us: int) -> str:
        # A release and a reading may lie close together.
        return local(at_us, zone).isoformat(sep=" ", timespec="milliseconds")

    since = local_text(finding.since_us, zone)
    span = since if finding.until_us is None else f"{since} to {local_text(finding.until_us, zone)}"
    where = finding.printer or finding.place or "(no printer)"
    head = f"{finding.severity.upper():8} {finding.kind} at {visible(where)}, {span}, {finding.state} [{finding.id}]"
    lines = [head, f"         {visible(text_of(finding, at))}"]
    lines += [f"         {line}" for line in surplus_lines(finding, booked)]
    lines += [f"         - {visible(_evidence(one, at))}" for one in finding.evidence if not _is_said(one)]
    return [*lines, f"         First: {ADVICE[finding.kind].first}", ""] if finding.state == "open" else [*lines, ""]


def surplus_lines(finding: Finding, booked: int | None, figure: Figure = str) -> list[str]:
    """Why the finding's figure and the ledger's differ, where they do: neither is wrong."""
    if finding.kind != SURPLUS_KIND or not finding.pages or booked is None or booked == finding.pages:
        return []
    told, all_told = figure(finding.pages), figure(booked)
    figures = f"{told} more than the most that was expected, and {all_told} more than what is charged for"
    return [f"{figures}: the finding counts the {told}, the ledger's house accounts receive the {all_told}"]


def _is_said(evidence: Evidence) -> bool:
    """A hint stands in the finding's own sentence already."""
    return evidence.kind is EvidenceKind.REASON and str(evidence.value("reason")).startswith(HINT_PREFIX)


def _evidence(evidence: Evidence, at: At) -> str:
    if evidence.kind is EvidenceKind.REASON:
        return reason_text(str(evidence.value("reason")))
    return words_of(evidence, at)


def findings_count(findings: Sequence[Finding]) -> str:
    if not findings:
        return "No findings."
    counts = [(sum(one.severity == severity for one in findings), severity) for severity in SEVERITIES]
    by_severity = ", ".join(f"{count} {severity}" for count, severity in counts if count)
    return f"{amount(len(findings), 'finding')}: {by_severity}."
