"""What domain/facts/README.md says of facts that travel is so: every example line is a fact, and every kind has one."""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import get_args

import pytest

from pagereeve.domain.accounts.totals import Totals
from pagereeve.domain.facts.facts import Fact
from pagereeve.reports.facts_file import FactLine, line_bytes, read_lines
from pagereeve.reports.projected import FactsInHand, printer_json, project_all
from pagereeve.reports.totals import total_json
from tests.histories import ONE_RELEASE, PRINTER

DOCUMENT = Path(__file__).parents[2] / "daemon" / "pagereeve" / "domain" / "facts" / "README.md"
TITLE = "Facts that travel"


@pytest.fixture(scope="module")
def section() -> str:
    """The section's text, up to the next heading of its level."""
    text = DOCUMENT.read_text(encoding="utf-8")
    found = re.search(rf"^(#+) {TITLE}$\n(.*?)(?=^\1 |\Z)", text, re.MULTILINE | re.DOTALL)
    assert found is not None, f"the document has no section {TITLE!r}"
    return found[2]


def examples(section: str) -> list[str]:
    return re.findall(r"^```json\n(.+)\n```$", section, re.MULTILINE)


def test_every_example_reads_back_as_the_line_that_it_is(section: str) -> None:
    shown = examples(section)
    lines = list(read_lines(io.BytesIO("\n".join(shown).encode())))
    assert [line for line in lines if not isinstance(line, FactLine)] == []
    assert [line_bytes(line).decode() for line in lines if isinstance(line, FactLine)] == shown


def test_every_kind_of_fact_has_an_example(section: str) -> None:
    lines = read_lines(io.BytesIO("\n".join(examples(section)).encode()))
    assert {type(line.fact) for line in lines if isinstance(line, FactLine)} == set(get_args(Fact))


def test_the_members_of_every_row_are_named_as_they_are(section: str) -> None:
    held = FactsInHand.of(FactLine(fact) for fact in ONE_RELEASE)
    one = project_all(held)[PRINTER]
    rows = printer_json(one)
    (total,) = Totals("person").add_all(one.ledger.charges).lines()
    shown = {"total": total_json("person", total), "conservation": rows["conservation"][0]}
    shown |= {name: rows[f"{name}{ending}"][0] for name, ending in (("charge", "s"), ("posting", "s"))}
    shown["stretch"] = next(row for row in rows["stretches"] if row["releases"])
    for name, row in shown.items():
        line = re.search(rf"^\| {name} \| (.*) \|$", section, re.MULTILINE)
        assert line is not None, f"no row {name!r}"
        assert set(row) <= set(re.findall(r"`([a-z_]+)`", line[1])), name
