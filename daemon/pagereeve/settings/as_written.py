"""Paths of printers' entries as they stand in the files: relative ones are so to the file of the entry."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pagereeve.settings.errors import BadSettings
from pagereeve.settings.included import SETTING, read_included
from pagereeve.settings.toml_file import read_table


def paths_as_written(config: Path) -> Mapping[str, Mapping[str, tuple[Path, str]]]:
    """By printer and setting: the absolute path that is meant, and its text in the file. Empty where no file is."""
    try:
        data = read_table(config, "")
    except BadSettings:
        return {}
    base = config.absolute().parent
    patterns = data.get(SETTING, [])
    found = read_included(patterns if isinstance(patterns, list) else [], base, as_written=True)
    files = [(base, data.get("printers", [])), *((one.file.absolute().parent, one.rows) for one in found.found)]
    return {
        row["name"]: {name: (folder / text, text) for name, text in row.items() if _is_path(name, text)}
        for folder, rows in files
        for row in rows
        if isinstance(row, dict) and isinstance(row.get("name"), str)
    }


def _is_path(name: str, text: Any) -> bool:
    return name.endswith("_file") and isinstance(text, str) and bool(text)
