"""One TOML file, with what is wrong about it as a whole."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from pagereeve.settings.errors import BadSettings, Problem
from pagereeve.settings.text_file import text_of


def read_table(path: Path, hint: str) -> dict[str, Any]:
    """Raises BadSettings; ``hint`` says what to do about a file that can't be read."""
    try:
        return tomllib.loads(text_of(path, hint))
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise BadSettings(str(path), [Problem("", f"is no TOML: {error}")]) from None
