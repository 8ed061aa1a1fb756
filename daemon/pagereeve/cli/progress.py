"""How far proofs are, on a terminal only: one printer's stages as they end, or a bar for many."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeElapsedColumn
from rich.progress import Progress as Bars

from pagereeve.proof.results import Stage


class Progress:
    """Receives stages and proofs; shows nothing."""

    def stage(self, printer: str, stage: Stage) -> None:
        """A stage of a printer has ended."""

    def proof(self, printer: str, *, passed: bool) -> None:
        """All stages of a printer have ended."""


class StageLines(Progress):
    def stage(self, printer: str, stage: Stage) -> None:
        sys.stderr.write(f"{printer}: {stage.name} {stage.outcome}\n")


class ProofBar(Progress):
    def __init__(self, bars: Bars, many: int) -> None:
        self._bars = bars
        self._failed = 0
        self._task = bars.add_task("", total=many, failed=0, last="")

    def proof(self, printer: str, *, passed: bool) -> None:
        self._failed += not passed
        self._bars.update(self._task, advance=1, failed=self._failed, last=printer)


@contextmanager
def progress_of(many: int, *, quiet: bool) -> Iterator[Progress]:
    """For so many printers."""
    if quiet or not sys.stderr.isatty():
        yield Progress()
    elif many == 1:
        yield StageLines()
    else:
        columns = (
            BarColumn(),
            MofNCompleteColumn(),
            TextColumn("{task.fields[failed]} failed, last {task.fields[last]}", markup=False),
            TimeElapsedColumn(),
        )
        with Bars(*columns, console=Console(stderr=True), transient=True) as bars:
            yield ProofBar(bars, many)
