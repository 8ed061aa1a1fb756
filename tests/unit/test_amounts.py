"""Singular and plural, in one place; and that texts of the program go there."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from pagereeve.domain.values.amounts import amount, form
from pagereeve.settings.errors import BadSettings, Problem

PACKAGE = Path(__file__).parents[2] / "daemon" / "pagereeve"
# Where a number is a limit, a version or an address and never 1, or where nobody but a developer reads it.
FOR_DEVELOPERS = ("simulator", "meters/snmp", "demo")


@pytest.mark.parametrize(
    ("count", "text"), [(0, "0 pages"), (1, "1 page"), (2, "2 pages"), (-1, "-1 page"), (-2, "-2 pages")]
)
def test_an_amount(count: int, text: str) -> None:
    assert amount(count, "page") == text


def test_a_plural_of_its_own() -> None:
    assert [amount(count, "entry is", "entries are") for count in range(3)] == [
        "0 entries are",
        "1 entry is",
        "2 entries are",
    ]
    assert (form(1, "is", "are"), form(2, "is", "are")) == ("is", "are")


@pytest.mark.parametrize(("count", "head"), [(0, "0 errors:"), (1, "1 error:"), (2, "2 errors:")])
def test_errors_of_settings(count: int, head: str) -> None:
    assert str(BadSettings("pagereeve.toml", [Problem("http", "is wrong")] * count)).startswith(
        f"pagereeve.toml: {head}"
    )


def texts_of(path: Path) -> Iterator[tuple[int, str]]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.lineno, node.value


def test_no_text_leaves_the_choice_to_its_reader() -> None:
    """`printer(s)` says that nobody chose."""
    found = [
        f"{path.relative_to(PACKAGE)}:{line}: {text[:60]}"
        for path in PACKAGE.rglob("*.py")
        if not path.relative_to(PACKAGE).as_posix().startswith(FOR_DEVELOPERS)
        for line, text in texts_of(path)
        if re.search(r"\w\(s\)", text)
    ]
    assert found == []
