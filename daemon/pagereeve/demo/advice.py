"""What may be typed on a demo that was kept: commands of the README, as they stand, with its own names."""

from __future__ import annotations

import os
import shlex
import shutil
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Final

# Each word in capitals stands for something of the day: FILE, RELEASE, FINDING, PRINTER.
ADVISED: Final = (
    "doctor --config FILE",
    "totals --by cost-centre --config FILE",
    "findings --config FILE",
    "explain RELEASE --config FILE",
    "findings explain FINDING --reason jam --config FILE",
    "read --printer PRINTER --config FILE",
    "prove PRINTER --print --yes --quiet 2 --config FILE",
    "check-config FILE",
)


def command_lines(names: Mapping[str, str]) -> Iterator[str]:
    """Each as a shell takes it, whatever is in the names and paths; none of which a name is not known."""
    program = program_words()
    for command in ADVISED:
        words = [names.get(word, word) for word in command.split()]
        if not any(word.isupper() for word in words):
            yield shlex.join([*program, *words])


def program_words() -> list[str]:
    """How this program is called from any folder: by its name where that finds it, or else by its whole path."""
    called = Path(sys.argv[0])
    if called.name == "pagereeve" and called.is_file() and os.access(called, os.X_OK):
        on_path = shutil.which(called.name)
        same = on_path is not None and Path(on_path).resolve() == called.resolve()
        return [called.name] if same else [str(called.absolute())]
    return [sys.executable, "-c", "from pagereeve.cli import main; main()"]
