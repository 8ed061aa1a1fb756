"""Settings from a TOML file and the environment: the environment wins, and all errors are reported together."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError
from pydantic.fields import FieldInfo
from pydantic_settings import EnvSettingsSource

from pagereeve.settings.crosschecks import member, problems_between, repeated_names, unknown_printers
from pagereeve.settings.errors import BadSettings, Problem
from pagereeve.settings.included import read_included
from pagereeve.settings.model import ENV_DELIMITER, ENV_PREFIX, Settings
from pagereeve.settings.relative_paths import rooted
from pagereeve.settings.suggestions import nearest
from pagereeve.settings.toml_file import read_table
from pagereeve.settings.validation import problems_of

HINT: Final = "pagereeve example settings prints every setting"
# Variables with our prefix that are no settings: where the command line finds the file.
OTHER_VARIABLES: Final = frozenset({"PAGEREEVE_SETTINGS"})


def load_settings(path: Path, environment: Mapping[str, str] | None = None) -> Settings:
    """The settings of a TOML file, overridden by PAGEREEVE_SECTION__NAME variables (of this process, if None).

    Relative paths in the file are relative to its folder. Raises BadSettings with everything that is wrong.
    """
    given = os.environ if environment is None else environment
    data = rooted(read_table(path, HINT), Settings, path.absolute().parent)
    problems = _include(data, path.absolute().parent) + _unknown_variables(given, data)
    merged = _merged(data, _from_environment(given))
    try:
        settings = Settings(**merged)
    except ValidationError as error:
        problems += problems_of(error, merged)
        problems += [problem for problem in _cross_problems(merged) if problem not in problems]
    else:
        if not problems:
            return settings
    raise BadSettings(str(path), problems)


def _include(data: dict[str, Any], base: Path) -> list[Problem]:
    """Add the rows of the files that ``include`` names; what is wrong with these files."""
    included = read_included(_rows(data, "include"), base)
    for table, rows in included.rows.items():
        if rows and isinstance(data.get(table, []), list):
            data[table] = [*data.get(table, []), *rows]
    return included.problems


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


def _cross_problems(merged: Mapping[str, Any]) -> list[Problem]:
    """Looked for in the raw tables too, so that an error in a table doesn't hide one between tables."""
    tables = ("gateways", "printers", "readers", "relays")
    gateways, printers, readers, relays = (_rows(merged, name) for name in tables)
    problems = problems_between(gateways, printers, merged.get("feeds"), readers, merged.get("alerts"), relays)
    problems += repeated_names("periods", _rows(merged, "periods"))
    return problems + unknown_printers(_rows(merged, "sources"), printers)
