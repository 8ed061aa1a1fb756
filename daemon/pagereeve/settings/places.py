"""Where in the settings something stands, as people find it: an entry by name, or counted from 1; file and line.

TOML's own reader says no lines. They are looked for where something is wrong, and are left out where they can't be
told for sure.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from pagereeve.domain.values.ordinals import ordinal
from pagereeve.settings.errors import BadSettings, Problem
from pagereeve.settings.text_file import text_of

Step = int | str
SHOWN_MAX: Final = 64
# Members by which an entry is known, the first that it has.
NAMES: Final = ("name", "source")
_HEADER: Final = re.compile(r"^[ \t]*\[\[([^\[\]]+)\]\][ \t]*(?:#.*)?\r?$")


def member(row: Any, name: str) -> Any:
    """Of a model, or of a file's table; None where there is none."""
    return row.get(name) if isinstance(row, Mapping) else getattr(row, name, None)


@dataclass(frozen=True, slots=True)
class Entry:
    """An entry of a table that is a list: ``table`` as a header writes it, ``index`` from 0 as Python counts."""

    table: str
    index: int


@dataclass(frozen=True, slots=True)
class EntryProblem:
    """What is wrong with a ``setting`` of an entry. The text names ``other`` before ``rest``."""

    entry: Entry
    setting: str
    text: str
    other: Entry | None = None
    rest: str = ""


@dataclass(frozen=True, slots=True)
class _Span:
    """So many entries of a table, from ``first`` on, stand in one file. ``lines`` is None where nobody looked yet."""

    first: int
    file: Path
    is_main: bool
    count: int
    lines: Sequence[int] | None


@dataclass(slots=True)
class Origins:
    """Which entries stand in which file."""

    _spans: dict[str, list[_Span]] = field(default_factory=dict)
    _headers: dict[Path, Mapping[str, Sequence[int]]] = field(default_factory=dict)

    def add(
        self,
        table: str,
        file: Path,
        first: int,
        count: int,
        lines: Sequence[int] | None = None,
        *,
        is_main: bool = False,
    ) -> None:
        """``count`` entries of the table, from ``first`` on, stand in this file, at these lines if they are known.

        Those of one table are added in their order.
        """
        self._spans.setdefault(table, []).append(_Span(first, file, is_main, count, lines))

    def forget(self, table: str) -> None:
        """It is no file's: the environment gave it."""
        self._spans.pop(table, None)

    def tables(self) -> list[str]:
        return list(self._spans)

    def place(self, entry: Entry, beside: Entry | None = None) -> tuple[int, str]:
        """How many entries of the table stand before it in its file, and ``file line N`` as far as it is known.

        The settings file goes without saying, but for what is named ``beside`` an entry of another file.
        """
        span = self._span(entry)
        if span is None:
            return entry.index, ""
        within = entry.index - span.first
        lines = self._lines(entry.table, span)
        line = f"line {lines[within]}" if len(lines) == span.count else ""
        other = None if beside is None else self._span(beside)
        unsaid = span.is_main and (other is None or other.is_main)
        return within, " ".join(part for part in ("" if unsaid else str(span.file), line) if part)

    def _span(self, entry: Entry) -> _Span | None:
        spans = self._spans.get(entry.table, [])
        at = bisect_right(spans, entry.index, key=lambda one: one.first) - 1
        return spans[at] if at >= 0 and entry.index < spans[at].first + spans[at].count else None

    def _lines(self, table: str, span: _Span) -> Sequence[int]:
        if span.lines is not None:
            return span.lines
        if span.file not in self._headers:
            try:
                self._headers[span.file] = header_lines(text_of(span.file, ""))
            except BadSettings:
                self._headers[span.file] = {}  # it was read a moment ago; its entries are named all the same
        return self._headers[span.file].get(table, ())


def header_lines(text: str) -> Mapping[str, Sequence[int]]:
    """Lines of ``[[table]]`` headers, from 1. One inside a text of many lines is among them: compare the count."""
    found: dict[str, list[int]] = {}
    for line, written in enumerate(text.split("\n"), 1):
        if header := _HEADER.match(written):
            table = ".".join(part.strip().strip("\"'") for part in header[1].split("."))
            found.setdefault(table, []).append(line)
    return found


def lists_of(data: Mapping[str, Any]) -> Iterator[tuple[str, list[Any]]]:
    """Every list of tables that a settings file has, with its table's name."""
    for name, value in data.items():
        inner = value.items() if isinstance(value, Mapping) else ()
        for table, rows in ((name, value), *((f"{name}.{under}", one) for under, one in inner)):
            if isinstance(rows, list) and any(isinstance(row, Mapping) for row in rows):
                yield table, rows


@dataclass(frozen=True, slots=True)
class Places:
    """Places in ``raw``, the tables as they are written."""

    raw: Any
    origins: Origins = field(default_factory=Origins)

    def problem(self, one: EntryProblem) -> Problem:
        # Of two entries that share a name, the name tells neither.
        counted = one.setting == "name" and one.other is not None
        other = "" if one.other is None else self.entry(one.other, counted=counted, beside=one.entry)
        return Problem(f"{self.entry(one.entry, counted=counted)}, {one.setting}", f"{one.text}{other}{one.rest}")

    def entry(self, entry: Entry, *, counted: bool = False, beside: Entry | None = None) -> str:
        """``[[printers]] 'north-1' (line 12)``, ``the 3rd [[printers]] (line 12)``."""
        row: Any = self.raw
        for step in entry.table.split("."):
            row = member(row, step)
        row = row[entry.index] if isinstance(row, Sequence) and entry.index < len(row) else None
        before, where = self.origins.place(entry, beside)
        name = entry_name(row)
        if counted or not name:
            known = [text for text in (name, where) if text]
            return f"the {ordinal(before + 1)} [[{entry.table}]]" + (f" ({', '.join(known)})" if known else "")
        return f"[[{entry.table}]] {name}" + (f" ({where})" if where else "")

    def setting(self, steps: Sequence[Step]) -> str:
        """Of pydantic's steps: ``http.listen``, ``[[printers]] 'north-1' (line 12), host``, ``the 2nd of include``."""
        parts: list[str] = []
        above: list[str] = []
        value = self.raw
        for step in steps:
            if isinstance(step, str):
                value = member(value, step)
                above.append(step[:SHOWN_MAX])
                continue
            value = value[step] if isinstance(value, Sequence) and step < len(value) else None
            table = ".".join(above)
            if isinstance(value, Mapping) and not parts:
                parts.append(self.entry(Entry(table, step)))
            else:
                parts.append(f"the {ordinal(step + 1)} of {table}")
            above = []
        return ", ".join([*parts, *([".".join(above)] if above else [])])


def entry_name(row: Any) -> str:
    """In quotes, as it may be anything where settings are wrong; "" without one."""
    given = next((name for one in NAMES if isinstance(name := member(row, one), str) and name), "")
    return repr(given[:SHOWN_MAX]) if given else ""
