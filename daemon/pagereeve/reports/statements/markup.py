"""Pieces of a page: text from outside is escaped, and what would turn its direction or obey is written out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from typing import Final

from pagereeve.domain.values.visible import visible

HEADINGS: Final = ("Released", "Counted", "Charged", "Unsupported")


def text(words: str) -> str:
    return escape(visible(words))


def name(words: str) -> str:
    """A name from outside: whichever way it is written, it turns nothing around it."""
    return f"<bdi>{text(words)}</bdi>"


def row(cells: Sequence[tuple[str, str]], kind: str = "") -> str:
    return f"<tr{kind}>" + "".join(f'<td class="{style}">{cell}</td>' for style, cell in cells) + "</tr>"


def table_of(headings: Sequence[tuple[str, str]], rows: Iterable[str], style: str = "") -> str:
    """``headings``: class and words. Nothing without rows."""
    head = "".join(f'<th class="{kind}">{words}</th>' for kind, words in headings)
    body = "\n".join(rows)
    return f"<table{style}>\n<thead><tr>{head}</tr></thead>\n<tbody>\n{body}\n</tbody>\n</table>" if body else ""


def numbers(names: Sequence[str] = HEADINGS) -> list[tuple[str, str]]:
    return [("n", one) for one in names]
