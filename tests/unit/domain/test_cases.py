"""What the ledger says of small histories whose honest verdict was written down before (tests/cases)."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from random import Random
from typing import Any, Final

import pytest

from pagereeve.domain.brackets.hypotheses import HINT_PREFIX
from pagereeve.domain.ledger import MAINTENANCE, OTHER_FUNCTION, Charge, Finding, is_house
from pagereeve.reports.facts_file import read_lines
from pagereeve.reports.projected import FactsInHand, PrinterLedger, printer_json, project_printer, project_site
from tests.cases import PRINTER, Case, cases

CASES: Final = list(cases())
DIFFERENCES: Final = {"surplus", "shortfall"}


def projected(case: Case) -> tuple[PrinterLedger, list[Finding]]:
    """The printer's ledger, and all findings: of the site as well."""
    held = FactsInHand.of(read_lines(case.file()))
    ledger = project_printer(PRINTER, held.printers[PRINTER])
    return ledger, [*ledger.ledger.findings, *project_site(held)]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_ledger_says_what_an_honest_auditor_says(case: Case) -> None:
    ledger, findings = projected(case)
    assert all(line.ok for line in ledger.conservation)
    charges = {one.release.release: one for one in ledger.ledger.charges if one.channel == billed_in(case)}
    assert [*of_releases(case, charges), *of_findings(case, findings), *of_pages(case, ledger)] == []


def billed_in(case: Case) -> str:
    channel: str = case.verdict.get("channel", "total")
    return channel


def of_releases(case: Case, charges: dict[str, Charge]) -> Iterator[str]:
    """What is said otherwise of a release, in words."""
    for name, wanted in case.verdict.get("releases", {}).items():
        charge = charges[name]
        for member, value in wanted.items():
            said = getattr(charge, member.removesuffix("_most"))
            if member.endswith("_most"):
                right = said <= value
            else:
                right = said in value if isinstance(value, list) else said == value
            if not right:
                yield f"{name}: {member} is {said}, not {value}"


def of_findings(case: Case, findings: list[Finding]) -> Iterator[str]:
    wanted = case.verdict
    kinds = {one.kind for one in findings}
    named = [[one.release for one in finding.releases] for finding in findings if finding.kind in DIFFERENCES]
    said: dict[str, set[Any]] = {
        "findings": kinds - set(wanted.get("may", ())),
        "accused": {names[0] for names in named if len(names) == 1},
        "together": {tuple(names) for names in named if len(names) > 1},
        "told": {len(findings)},
        "never": kinds & set(wanted.get("never", ())),
    }
    right: dict[str, set[Any]] = {
        "findings": set(wanted.get("findings", ())),
        "accused": set(wanted.get("accused", ())),
        "together": set(map(tuple, wanted.get("together", ()))),
        "told": {wanted.get("told")},
        "never": set(),
    }
    for name, value in said.items():
        if name in wanted and value != right[name]:
            yield f"{name}: {value}, not {right[name]}"


def of_pages(case: Case, ledger: PrinterLedger) -> Iterator[str]:
    pages = {"maintenance": 0, "other": 0, "nobodys": 0}
    names = {MAINTENANCE: "maintenance", OTHER_FUNCTION: "other"}
    for posting in ledger.ledger.postings:
        for account, count in posting.legs if posting.channel == billed_in(case) else ():
            if is_house(account):
                pages[names.get(account, "nobodys")] += count
    hints = {one for row in ledger.ledger.stretches for one in row.reasons if one.startswith(HINT_PREFIX)}
    for name, count in pages.items():
        if case.verdict.get(name, count) != count:
            yield f"{name}: {count} pages, not {case.verdict[name]}"
    if not hints.issuperset(case.verdict.get("hints", ())):
        yield f"hints: {sorted(hints)}, not {case.verdict['hints']}"


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_order_and_repetition_of_its_lines_change_nothing(case: Case) -> None:
    lines = case.lines()
    random = Random(case.name)
    said = ledger_json(lines)
    for _ in range(2):
        mixed = [*lines, *random.sample(lines, len(lines) // 2)]
        random.shuffle(mixed)
        assert ledger_json(mixed) == said


def ledger_json(lines: list[dict[str, Any]]) -> str:
    file = io.BytesIO(b"\n".join(json.dumps(line).encode() for line in lines))
    held = FactsInHand.of(read_lines(file))
    return json.dumps(printer_json(project_printer(PRINTER, held.printers[PRINTER])))


def test_each_case_says_where_it_comes_from() -> None:
    assert len(CASES) >= 30
    assert all(case.about and case.source and case.verdict for case in CASES)
