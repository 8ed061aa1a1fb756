"""``include``: printers, gateways and readers in files of their own, so that a site of 500 has no one long file.

A pattern is relative to the settings file's folder. TOML files hold [[printers]], [[gateways]] and [[readers]]; a CSV
file has a printer a line, and its head names settings of [[printers]]. Files are read in the order of their names.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from glob import has_magic
from pathlib import Path
from typing import Any, Final

from pagereeve.settings.errors import BadSettings, Problem
from pagereeve.settings.lists.csv_rows import csv_rows
from pagereeve.settings.model import Settings
from pagereeve.settings.relative_paths import rooted
from pagereeve.settings.text_file import PROBLEMS_MAX
from pagereeve.settings.toml_file import read_table

SETTING: Final = "include"
TABLES: Final = ("gateways", "printers", "readers")
FILES_MAX: Final = 10_000
COLUMNS: Final = ("name", "host")
MORE_COLUMNS: Final = (
    "port",
    "version",
    "community_file",
    "community_env",
    "user",
    "auth",
    "auth_password_file",
    "auth_password_env",
    "priv",
    "priv_password_file",
    "priv_password_env",
    "serial",
    "object_id",
    "unit",
    "unit_grade",
    "profile",
    "device",
    "ipp_port",
    "print_port",
    "web_port",
    "gateway",
    "gateway_host",
    "site",
    "text",
)
NUMBERS: Final = frozenset({"port", "device", "ipp_port", "print_port", "web_port"})


@dataclass(frozen=True, slots=True)
class IncludedRows:
    """Rows of one table in one file; ``lines`` is None where they must be looked for (TOML)."""

    table: str
    file: Path
    rows: list[Any]
    lines: Sequence[int] | None = None


Instead = Mapping[Path, Sequence[IncludedRows]]
"""Rows of included files, by absolute path, which are looked at in the place of the files themselves."""


@dataclass(slots=True)
class Included:
    """Rows to add, in the order of the files, and what is wrong with the files."""

    found: list[IncludedRows] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)


def read_included(
    patterns: Sequence[Any], base: Path, instead: Instead | None = None, *, as_written: bool = False
) -> Included:
    """All files that the patterns name, none of them twice; what is wrong with one leaves the others.

    ``instead`` are rows in the place of a file's, whether it is there yet or not. ``as_written``: paths stay relative.
    """
    found = Included()
    given = {} if instead is None else instead
    for path in _paths(patterns, base, given, found.problems):
        if path in given:
            found.found += given[path]
            continue
        try:
            rows = _of_csv(path) if path.suffix.lower() == ".csv" else _of_toml(path)
        except BadSettings as error:
            found.problems += [
                Problem(f"{path}: {one.where}" if one.where else str(path), one.text) for one in error.problems
            ]
            continue
        found.found += rows if as_written else [_rooted(one) for one in rows]
    return found


def _paths(patterns: Sequence[Any], base: Path, given: Collection[Path], problems: list[Problem]) -> list[Path]:
    paths: dict[Path, None] = {}
    for pattern in patterns:
        if not isinstance(pattern, str) or not pattern:
            continue
        folder, relative = (Path("/"), pattern.lstrip("/")) if pattern.startswith("/") else (base, pattern)
        matches = [folder / relative]
        if has_magic(pattern):
            matches = sorted({*folder.glob(relative), *(path for path in given if path.match(str(folder / relative)))})
        paths |= dict.fromkeys(one for one in matches if not one.is_dir())
        if len(paths) > FILES_MAX:
            problems.append(Problem(SETTING, f"with {pattern[:64]!r} it names more than {FILES_MAX} files"))
            return []
    return list(paths)


def _of_toml(path: Path) -> list[IncludedRows]:
    table = read_table(path, f"{SETTING} names it")
    strange = sorted(set(table) - set(TABLES))
    wrong = [name for name in TABLES if not isinstance(table.get(name, []), list)]
    if strange or wrong:
        text = "can't stand in an included file; only [[printers]], [[gateways]] and [[readers]] can"
        raise BadSettings(str(path), [Problem(name[:64], text) for name in [*strange, *wrong]])
    return [IncludedRows(name, path, table[name]) for name in TABLES if name in table]


def _rooted(one: IncludedRows) -> IncludedRows:
    return replace(one, rows=rooted({one.table: one.rows}, Settings, one.file.absolute().parent)[one.table])


def _of_csv(path: Path) -> list[IncludedRows]:
    printers: list[dict[str, Any]] = []
    lines: list[int] = []
    gateways: dict[str, tuple[int, str]] = {}
    problems: list[Problem] = []
    for line, row in csv_rows(path, COLUMNS, SETTING, MORE_COLUMNS):
        printers.append(members_of(row))
        lines.append(line)
        name, host = row.get("gateway", ""), row.get("gateway_host", "")
        if not host:
            continue
        before_line, before = gateways.setdefault(name, (line, host))
        if not name:
            problems.append(Problem(f"line {line}", "has a gateway_host and no gateway; name the gateway"))
        elif host.casefold() != before.casefold():
            text = (
                f"gives gateway {name[:64]!r} another gateway_host than line {before_line}; one gateway has one address"
            )
            problems.append(Problem(f"line {line}", text))
        if len(problems) == PROBLEMS_MAX:
            problems.append(Problem("", "the rest was not looked at"))
            break
    if problems:
        raise BadSettings(str(path), problems)
    hosts = [{"name": name, "host": host} for name, (_, host) in gateways.items()]
    return [
        IncludedRows("gateways", path, hosts, [line for line, _ in gateways.values()]),
        IncludedRows("printers", path, printers, lines),
    ]


def members_of(row: Mapping[str, str]) -> dict[str, Any]:
    """A printer's settings in a line of a CSV file."""
    return dict(_members(row))


def _members(row: Mapping[str, str]) -> Iterator[tuple[str, Any]]:
    """An empty cell is a setting that is not made; a figure is one where figures are needed."""
    for name, value in row.items():
        if value and name != "gateway_host":
            yield (
                name,
                int(value) if name in NUMBERS and value.isascii() and value.isdigit() and len(value) < 10 else value,
            )
