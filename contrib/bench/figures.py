"""What a benchmark came to beside its targets: printed, and handed to contrib/bench/all where that asked for it."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Final

FILE_VARIABLE: Final = "PAGEREEVE_BENCH_FIGURES"
"""Names a file to which each figure is added, a JSON object a line."""


@dataclass(frozen=True)
class Figure:
    """``what`` was measured as so many times ``against``; or, with a unit, as it is.

    At least ``at_least``, or at most ``at_most``, is the target; a figure without either is told for comparison.
    """

    what: str
    value: float
    against: str = ""
    unit: str = "x"
    at_least: float | None = None
    at_most: float | None = None

    @property
    def kept(self) -> bool:
        """Is the target met? A figure without one always is."""
        low = self.at_least is None or self.value >= self.at_least
        return low and (self.at_most is None or self.value <= self.at_most)

    @property
    def target(self) -> str:
        if self.at_least is not None:
            return f"at least {self.at_least:g}"
        return f"at most {self.at_most:g}" if self.at_most is not None else ""

    def __str__(self) -> str:
        verdict = (("kept" if self.kept else "MISSED") if self.target else "").rjust(6)
        return f"{verdict}  {self.value:12,.2f} {self.unit:3}  {self.target:14}  {self.what}{self._than}"

    @property
    def _than(self) -> str:
        return f" / {self.against}" if self.against else ""


def report(figures: Sequence[Figure]) -> int:
    """Print them, add them to the file that FILE_VARIABLE names; the exit status: 1 if a target is missed."""
    for figure in figures:
        print(figure, flush=True)
    if name := os.environ.get(FILE_VARIABLE):
        with Path(name).open("a", encoding="utf-8") as lines:
            lines.writelines(json.dumps(asdict(figure)) + "\n" for figure in figures)
    return 0 if all(figure.kept for figure in figures) else 1


def read_back(path: Path) -> list[Figure]:
    """What the benchmarks have added to the file."""
    return [Figure(**json.loads(line)) for line in path.read_text(encoding="utf-8").splitlines()]
