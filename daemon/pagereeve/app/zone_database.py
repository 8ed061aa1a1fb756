"""Which time zone database this machine's zones come from: periods hang on its version."""

from __future__ import annotations

import re
import zoneinfo
from contextlib import suppress
from pathlib import Path
from typing import Final

import tzdata

_HEAD: Final = re.compile(r"# version (\d{4}[a-z]+)\s*")
_HEAD_LINES: Final = 5


def zone_database(key: str) -> str:
    """The version of the files that zoneinfo reads the zone from: the system's first, else the package tzdata's.

    The system's is said by tzdata.zi, whose first line is ``# version 2026a`` (tz database, Makefile), or by +VERSION.
    """
    for folder in map(Path, zoneinfo.TZPATH):
        if (folder / key).is_file():
            return f"{_version_in(folder) or 'of unknown version'}, of the system ({folder})"
    return f"{tzdata.IANA_VERSION}, of the package tzdata"


def _version_in(folder: Path) -> str:
    with suppress(OSError), (folder / "tzdata.zi").open(encoding="ascii", errors="replace") as file:
        for line, _ in zip(file, range(_HEAD_LINES), strict=False):
            if match := _HEAD.fullmatch(line):
                return match[1]
    with suppress(OSError):
        return (folder / "+VERSION").read_text(encoding="ascii", errors="replace").strip()
    return ""
