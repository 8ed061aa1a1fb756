"""Settings from a TOML file and the environment: the environment wins, and all errors are reported together."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError
from pydantic.fields import FieldInfo
from pydantic_settings import EnvSettingsSource

from pagereeve.settings.crosschecks import problems_between, repeated_names, unknown_printers
from pagereeve.settings.errors import BadSettings, Problem
from pagereeve.settings.included import Instead, read_included
from pagereeve.settings.model import ENV_DELIMITER, ENV_PREFIX, Settings
from pagereeve.settings.places import EntryProblem, Origins, Places, lists_of, member
from pagereeve.settings.rates import rate_problems
from pagereeve.settings.relative_paths import rooted
from pagereeve.settings.suggestions import nearest
from pagereeve.settings.toml_file import read_table
from pagereeve.settings.validation import problems_of

HINT: Final = "pagereeve example settings prints every setting"
# Variables with our prefix that are no settings: where the command line finds the file.
OTHER_VARIABLES: Final = frozenset({"PAGEREEVE_SETTINGS"})


def load_settings(path: Path, environment: Mapping[str, str] | None = None, instead: Instead | None = None) -> Settings:
    """The settings of a TOML file, overridden by PAGEREEVE_SECTION__NAME variables (of this process, if None).

    Relative paths in the file are relative to its folder. ``instead``: rows in the place of included files. Raises
    BadSettings with everything that is wrong.
    """
    given = os.environ if environment is None else environment
    data = rooted(read_table(path, HINT), Settings, path.absolute().parent)
    origins = Origins()
    for table, rows in lists_of(data):
        origins.add(table, path, 0, len(rows), is_main=True)
    problems: list[Problem | EntryProblem] = []
    problems += _include(data, path.absolute().parent, origins, instead)
    problems += _unknown_variables(given, data)
    merged = _merged(data, _from_environment(given))
    try:
        settings = Settings(**merged)
    except ValidationError as error:
        places = Places(merged, _of_files(origins, data, merged))
        problems += problems_of(error, places)
        problems += _cross_problems(merged)
        said = (places.problem(one) if isinstance(one, EntryProblem) else one for one in dict.fromkeys(problems))
        raise BadSettings(str(path), dict.fromkeys(said)) from None
    if problems:
        raise BadSettings(str(path), [one for one in problems if isinstance(one, Problem)])
    return settings


def _include(data: dict[str, Any], base: Path, origins: Origins, instead: Instead | None) -> list[Problem]:
    """Add the rows of the files that ``include`` names; what is wrong with these files."""
    included = read_included(_rows(data, "include"), base, instead)
    for rows in included.found:
        if isinstance(data.get(rows.table, []), list):
            known = data.setdefault(rows.table, [])
            origins.add(rows.table, rows.file, len(known), len(rows.rows), rows.lines)
            known += rows.rows
    return included.problems


def written_rows(path: Path, table: str, without: Path) -> list[Any]:
    """What the settings file and the files that it includes hold of an included table, but for the file ``without``.

    Raw tables, not judged. Raises BadSettings where the settings file itself can't be read.
    """
    base = path.absolute().parent
    data = rooted(read_table(path, HINT), Settings, base)
    included = read_included(_rows(data, "include"), base, {without: ()})
    return [*_rows(data, table), *(row for rows in included.found if rows.table == table for row in rows.rows)]


def _of_files(origins: Origins, data: Mapping[str, Any], merged: Mapping[str, Any]) -> Origins:
    """Without the tables that the environment gave in the place of the files'."""
    for table in origins.tables():
        steps = table.split(".")
        if _at(data, steps) is not _at(merged, steps):
            origins.forget(table)
    return origins


def _at(value: Any, steps: Iterable[str]) -> Any:
    for step in steps:
        value = member(value, step)
    return value


class _Variables(EnvSettingsSource):
    """JSON where a variable holds JSON, else its text: validation then says what is wrong with it, and where."""

    def decode_complex_value(self, field_name: str, field: FieldInfo, value: Any) -> Any:
        try:
            return super().decode_complex_value(field_name, field, value)
        except ValueError:
            return value


def _from_environment(given: Mapping[str, str]) -> dict[str, Any]:
    source = _Variables(Settings)
    source.env_vars = {name.lower(): value for name, value in given.items() if name.upper().startswith(ENV_PREFIX)}
    return source()


def _unknown_variables(given: Mapping[str, str], data: Mapping[str, Any]) -> list[Problem]:
    known = set(Settings.model_fields)
    others = OTHER_VARIABLES | {member(printer, "community_env") for printer in _rows(data, "printers")}
    problems = []
    for name in sorted(given):
        if not name.upper().startswith(ENV_PREFIX) or name in others:
            continue
        first = name[len(ENV_PREFIX) :].lower().partition(ENV_DELIMITER)[0]
        if first not in known:
            text = f"is no setting{nearest(first, known)} (a section and its setting are joined by two underscores)"
            problems.append(Problem(f"environment variable {name[:64]}", text))
    return problems


def _merged(below: Mapping[str, Any], above: Mapping[str, Any]) -> dict[str, Any]:
    merged = dict(below)
    for name, value in above.items():
        under = merged.get(name)
        merged[name] = _merged(under, value) if isinstance(under, dict) and isinstance(value, dict) else value
    return merged


def _rows(data: Any, *names: str) -> list[Any]:
    for name in names:
        data = data.get(name) if isinstance(data, dict) else None
    return list(data) if isinstance(data, Iterable) and not isinstance(data, str | dict) else []


def _cross_problems(merged: Mapping[str, Any]) -> list[EntryProblem]:
    """Looked for in the raw tables too, so that an error in a table doesn't hide one between tables."""
    tables = ("gateways", "printers", "readers", "relays")
    gateways, printers, readers, relays = (_rows(merged, name) for name in tables)
    problems = problems_between(gateways, printers, merged.get("feeds"), readers, merged.get("alerts"), relays)
    problems += repeated_names("periods", _rows(merged, "periods"))
    problems += rate_problems(_rows(merged, "rates"), printers)
    return problems + unknown_printers(_rows(merged, "sources"), printers)
