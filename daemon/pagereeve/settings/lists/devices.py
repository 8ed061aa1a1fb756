"""A list of printers and gateways as engineers have one: CSV, a printer a line, its head in any order.

Cells are parted by semicolons, commas or tabs, in UTF-8 with or without a byte order mark. A head is a setting of
[[printers]] (``Print port`` is ``print_port``) or ``gateway_host``; columns with another one are named, and left.
"""

from __future__ import annotations

import io
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from pagereeve.settings.errors import BadSettings, Problem
from pagereeve.settings.included import COLUMNS, MORE_COLUMNS, members_of
from pagereeve.settings.lists.csv_rows import csv_lines
from pagereeve.settings.suggestions import nearest
from pagereeve.settings.text_file import PROBLEMS_MAX, text_of

KNOWN: Final = (*COLUMNS, *MORE_COLUMNS)
DELIMITERS: Final = ";,\t"
_SEPARATOR: Final = re.compile(rf"sep=([{DELIMITERS}])\s*$", re.IGNORECASE)
DEVICES_MAX: Final = 100_000
# A list goes from hand to hand: what it may hold is where a secret is, and never the secret.
SECRET_COLUMNS: Final = frozenset({"community", "auth_password", "priv_password"})


@dataclass(frozen=True, slots=True)
class ListedGateway:
    line: int
    name: str
    host: str


@dataclass(frozen=True, slots=True)
class DeviceList:
    """``printers`` are rows of [[printers]], ``lines`` where each stands; ``left`` are heads that are no setting."""

    printers: Sequence[dict[str, Any]]
    lines: Sequence[int]
    gateways: Sequence[ListedGateway]
    left: Sequence[str]


def read_devices(path: Path) -> DeviceList:
    """Raises BadSettings with all that is wrong with the list as a list; settings are judged with the whole site."""
    return devices_in(text_of(path, "it is the list to import"), path)


def devices_in(text: str, path: Path) -> DeviceList:
    """The same of a list's text; ``path`` is what errors call it."""
    before, delimiter = _above_head(text)
    lines = (one for one in csv_lines(path, text, delimiter) if one[0] > before)
    head_line, head = next(lines, (1, []))
    names = [_name(one) for one in head]
    _refuse_bad_head(path, names, f"line {head_line}")
    problems: list[Problem] = []
    printers: list[dict[str, Any]] = []
    numbers: list[int] = []
    gateways: dict[str, ListedGateway] = {}
    for line, cells in lines:
        if len(cells) > len(head) and any(cells[len(head) :]):
            problems.append(Problem(f"line {line}", f"has {len(cells)} cells, and the head {len(head)}; quote a cell"))
        row = {name: cell for name, cell in zip(names, cells, strict=False) if name in KNOWN}
        printers.append(members_of(row))
        numbers.append(line)
        problems += _gateway(line, row, gateways)
        if len(problems) >= PROBLEMS_MAX or len(printers) > DEVICES_MAX:
            problems.append(Problem(f"line {line}", "the rest was not looked at"))
            break
    if not printers:
        problems.append(Problem("", "names no printer; write one a line, below the head"))
    if problems:
        raise BadSettings(str(path), problems)
    left = [one for one, name in zip(head, names, strict=True) if name not in KNOWN and one]
    return DeviceList(printers, numbers, list(gateways.values()), left)


def _above_head(text: str) -> tuple[int, str]:
    """How many lines stand above the head, empty ones or the ``sep=;`` of spreadsheets; what parts cells."""
    for above, line in enumerate(io.StringIO(text, newline=None)):
        if said := _SEPARATOR.match(line):
            return above + 1, said[1]
        if line.strip(f"{DELIMITERS} \r\n"):
            return above, max(DELIMITERS, key=line.count)
    return 0, DELIMITERS[0]


def _name(head: str) -> str:
    return head.casefold().replace(" ", "_").replace("-", "_")


def _refuse_bad_head(path: Path, names: Sequence[str], where: str) -> None:
    twice = sorted({name for name in names if name in KNOWN and names.count(name) > 1})
    problems = [Problem(where, f"names the column {name} more than once") for name in twice]
    for name in COLUMNS:
        if name not in names:
            others = [one for one in names if one and one not in KNOWN]
            problems.append(Problem(where, f"the head names no column {name}{nearest(name, others)}"))
    for name in sorted(SECRET_COLUMNS & set(names)):
        text = f"{name} is a secret; put it into a file, and name that in a column {name}_file"
        problems.append(Problem(where, text))
    if problems:
        raise BadSettings(str(path), problems)


def _gateway(line: int, row: dict[str, str], gateways: dict[str, ListedGateway]) -> list[Problem]:
    name, host = row.get("gateway", ""), row.get("gateway_host", "")
    if not host:
        return []
    if not name:
        return [Problem(f"line {line}", "has a gateway_host and no gateway; name the gateway")]
    before = gateways.setdefault(name, ListedGateway(line, name, host))
    if before.host.casefold() == host.casefold():
        return []
    text = f"gives gateway {name[:64]!r} another gateway_host than line {before.line}; one gateway has one address"
    return [Problem(f"line {line}", text)]


def relative_to_file(members: dict[str, Any], settings_folder: Path, file: Path) -> dict[str, Any]:
    """Paths of the list are relative to the settings file's folder; in ``file`` they are relative to its own."""
    return {
        name: os.path.relpath(settings_folder / value, file.parent)
        if name.endswith("_file") and isinstance(value, str) and not Path(value).is_absolute()
        else value
        for name, value in members.items()
    }
