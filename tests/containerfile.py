"""The steps of contrib/container/Containerfile, read by the program that plays them."""

from __future__ import annotations

import runpy
from pathlib import Path
from typing import Final

_FOLDER: Final = Path(__file__).parents[1] / "contrib" / "container"
CONTAINERFILE: Final = (_FOLDER / "Containerfile").read_text(encoding="utf-8")
BUILD, LAST = runpy.run_path(str(_FOLDER / "trial.py"))["stages"](CONTAINERFILE)


def of(steps: list[tuple[str, str]], word: str) -> list[str]:
    """What stands behind an instruction, each time that it is there."""
    return [rest for name, rest in steps if name == word]
