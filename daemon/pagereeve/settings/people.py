"""The people file: CSV with a head line ``owner,cost_centre,from``; comma or semicolon, UTF-8, with or without a BOM.

``from`` is a date (its midnight in UTC) or an RFC 3339 time, or empty for *always*. An owner may stand there many
times, once for each move to another cost centre.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Final

from pagereeve.domain.errors import BadFact
from pagereeve.domain.facts import Assigned
from pagereeve.domain.instants import from_text
from pagereeve.settings.errors import BadSettings, Problem

COLUMNS: Final = ("owner", "cost_centre", "from")
FIELD_MAX: Final = 200
FILE_MAX_BYTES: Final = 64 * 2**20
PROBLEMS_MAX: Final = 50


def read_people(path: Path) -> tuple[Assigned, ...]:
    """Every assignment of the file, in order of time and owner. Raises BadSettings with the number of each bad line."""
    problems: list[Problem] = []
    assigned: dict[tuple[int, str], Assigned] = {}
    for line, row in _rows(path):
        try:
            fact = _assigned(row)
        except BadFact as error:
            problems.append(Problem(f"line {line}", str(error)))
        else:
            if assigned.setdefault((fact.at_us, fact.owner), fact) != fact:
                text = f"cost_centre: {fact.owner!r} is in two cost centres from the same time on; keep one"
                problems.append(Problem(f"line {line}", text))
        if len(problems) == PROBLEMS_MAX:
            problems.append(Problem("", "the rest was not looked at"))
            break
    if problems:
        raise BadSettings(str(path), problems)
    return tuple(assigned[key] for key in sorted(assigned))


def _rows(path: Path) -> Iterator[tuple[int, Mapping[str, str]]]:
    """The number and the cells of each line with anything on it."""
    text = _text(path)
    head_line = text.partition("\n")[0]
    lines = csv.reader(text.splitlines(), delimiter=";" if ";" in head_line else ",", strict=True)
    try:
        head = [cell.strip() for cell in next(lines, [])]
        if sorted(head) != sorted(COLUMNS):
            raise BadSettings(str(path), [Problem("line 1", f"the head must name {', '.join(COLUMNS)}")])
        for cells in lines:
            if any(cell.strip() for cell in cells):
                yield lines.line_num, dict(zip(head, _squared(cells, len(head)), strict=True))
    except csv.Error as error:
        raise BadSettings(str(path), [Problem(f"line {lines.line_num}", f"is no CSV ({error})")]) from error


def _squared(cells: list[str], width: int) -> list[str]:
    """The cells with empty ones in place of those that a line leaves out; surplus ones are joined to the last."""
    padded = [cell.strip() for cell in cells] + [""] * (width - len(cells))
    return [*padded[: width - 1], ",".join(padded[width - 1 :])]


def _text(path: Path) -> str:
    try:
        with path.open("rb") as file:
            raw = file.read(FILE_MAX_BYTES + 1)
    except OSError as error:
        raise BadSettings(
            str(path), [Problem("", f"can't be read ({error.strerror}); [people] file names it")]
        ) from error
    if len(raw) > FILE_MAX_BYTES:
        raise BadSettings(str(path), [Problem("", f"is larger than {FILE_MAX_BYTES} bytes")])
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise BadSettings(str(path), [Problem(f"line {line}", "is not UTF-8; save the file as UTF-8")]) from error


def _assigned(row: Mapping[str, str]) -> Assigned:
    owner, cost_centre = (_cell(row, name) for name in ("owner", "cost_centre"))
    return Assigned(at_us=_instant(row["from"]), owner=owner, cost_centre=cost_centre)


def _cell(row: Mapping[str, str], name: str) -> str:
    cell = row[name]
    if not cell:
        raise BadFact(name, "is empty; write one")
    if len(cell) > FIELD_MAX:
        raise BadFact(name, f"is {len(cell)} characters long; {FIELD_MAX} at most")
    if not cell.isprintable():
        raise BadFact(name, "holds a control character; write plain text")
    return cell


def _instant(text: str) -> int:
    if not text:
        return 0
    try:
        return from_text(f"{text}T00:00:00Z" if len(text) == len("2026-01-31") else text, "from")
    except BadFact as error:
        raise BadFact("from", f"{text[:40]!r} is no date; write 2026-01-31 or 2026-01-31T09:00:00Z") from error
