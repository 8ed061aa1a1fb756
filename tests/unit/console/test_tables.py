"""On a narrow screen a row is a card: each of its figures says which it is, as the heads of columns are not seen."""

from __future__ import annotations

import re
from importlib import resources

import pytest

TEMPLATES = resources.files("pagereeve.console.pages") / "templates"
NAMES = sorted(one.name for one in TEMPLATES.iterdir() if one.name.endswith(".html"))


def tables_of(name: str) -> list[tuple[set[str], str]]:
    text = (TEMPLATES / name).read_text()
    found = re.findall(r"<table(?: class=\"([^\"]*)\")?>(.*?)</table>", text, re.DOTALL)
    return [(set(classes.split()), body) for classes, body in found]


@pytest.mark.parametrize("name", NAMES)
def test_a_table_of_many_columns_is_stacked_and_each_cell_is_labelled(name: str) -> None:
    for classes, body in tables_of(name):
        heads = re.findall(r"<th[ >]", body.partition("</thead>")[0])
        if len(heads) > 3:
            assert classes & {"stacked", "fleet"}, f"{name}: a table of {len(heads)} columns is wider than a phone"
        if classes & {"stacked", "fleet"}:
            cells = re.findall(r"<td\b[^>]*>", re.sub(r"\{%.*?%\}|\{\{.*?\}\}", "", body))
            bare = [one for one in cells if "data-label=" not in one and "colspan=" not in one]
            assert bare == [], f"{name}: {bare}"


def test_rows_that_tables_share_are_labelled_or_left_out() -> None:
    cells = re.findall(r"<td\b[^>]*>", (TEMPLATES / "account_rows.html").read_text())
    assert cells
    assert [one for one in cells if "data-label=" not in one and 'class="number none"' not in one] == []


@pytest.mark.parametrize("name", NAMES)
def test_a_page_says_how_old_its_figures_are_with_date_and_zone(name: str) -> None:
    shown = re.findall(r"\{\{ clock\.(\w+)\(now_us\) \}\}</time>", (TEMPLATES / name).read_text())
    assert set(shown) <= {"full"}
