"""Findings for people: the worst first, with state, time and evidence."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

from pagereeve.domain.facts.reading import Unit, UnitGrade
from pagereeve.domain.findings import evidence
from pagereeve.domain.findings.finding import make
from pagereeve.domain.ledger import Finding, FindingState, Severity
from pagereeve.queries.units import UnitStanding
from pagereeve.reports.findings import chosen_findings, findings_text
from pagereeve.reports.release_answer import CAUTION
from tests.findings import said
from tests.histories import at

UTC = ZoneInfo("UTC")


def finding(
    name: str, severity: Severity, since: float, printer: str = "library", until: float | None = None
) -> Finding:
    state: FindingState = "open" if until is None else "closed"
    until_us = None if until is None else at(until)
    return Finding(
        name,
        "surplus",
        severity,
        printer,
        at(since),
        until_us,
        state,
        said("2 too many"),
        (said("proof"), said("x\x1b[31m")),
    )


def test_the_worst_come_first_then_the_oldest() -> None:
    known = [finding("f-1", "info", 0), finding("f-2", "critical", 9), finding("f-3", "critical", 5)]
    assert [one.id for one in chosen_findings(known)] == ["f-3", "f-2", "f-1"]


def test_one_printer_may_be_chosen() -> None:
    known = [finding("f-1", "info", 0), finding("f-2", "info", 0, "hall")]
    assert [one.id for one in chosen_findings(known, "hall")] == ["f-2"]


def test_a_finding_shows_what_where_since_when_and_its_evidence() -> None:
    text = findings_text([finding("f-1", "warning", 0), finding("f-2", "info", 5, "", 65)], UTC)
    assert "WARNING  surplus at library, 2026-11-25 09:00:00+00:00, open [f-1]" in text
    assert "INFO     surplus at (no printer), 2026-11-25 09:00:05+00:00 to 2026-11-25 09:01:05+00:00, closed" in text
    assert "         - proof" in text
    assert text.count("         First: Read the hints of the finding.") == 1, "what is over needs no first step"
    assert "2 findings: 1 warning, 1 info.\n" in text
    assert text.endswith(CAUTION)


def test_a_terminal_obeys_nothing_that_stands_in_evidence() -> None:
    assert "x\\x1b[31m" in findings_text([finding("f-1", "info", 0)], UTC)


def test_none_is_said() -> None:
    assert findings_text([], UTC) == "No findings."


def assumed(nth: int, model: str = "1.3.6.1.4.1.99999.1") -> Finding:
    what = evidence.unit_assumed("total", "", model)
    return make("unit-assumed", f"printer-{nth:03}", (nth,), at(nth), what, ())


def test_a_fleet_on_an_assumed_unit_is_one_thing_to_know() -> None:
    known = [*map(assumed, range(500)), assumed(900, "1.3.6.1.4.1.99999.2"), finding("f-1", "warning", 0)]
    text = findings_text(known, UTC)
    assert text.count("unit-assumed at") == 2, "one for each model"
    assert "INFO     unit-assumed at 500 printers of the model 1.3.6.1.4.1.99999.1, since 2026-11-25 09:00:00" in text
    assert "printer-000, printer-001, printer-002, printer-003, printer-004 and 495 more" in text
    assert "INFO     unit-assumed at printer-900" in text
    assert len(text.splitlines()) < 25


def test_what_is_over_is_no_fleets() -> None:
    known = [replace(assumed(nth), state="closed", until_us=at(600)) for nth in range(2)]
    assert findings_text(known, UTC).count("unit-assumed at printer-") == 2


def test_how_units_are_known_is_said_once() -> None:
    units = [UnitStanding("library", "total", Unit.SHEETS, UnitGrade.SAID)]
    text = findings_text([finding("f-1", "warning", 0), finding("f-2", "info", 5)], UTC, units=units)
    assert text.count("said by the agent, and not proven with test pages (library)") == 1
