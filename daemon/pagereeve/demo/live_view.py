"""What the demo shows while it happens: a live table on a terminal, plain lines elsewhere."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from typing import Self

from rich.console import Console, Group
from rich.live import Live
from rich.panel import Panel
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table
from rich.text import Text

from pagereeve.app.daemon import App
from pagereeve.domain.facts.reading import Failure, Reading
from pagereeve.engine.printers.watcher import PrinterWatcher
from pagereeve.simulator.college.scenario import ScenarioStep

LINES_SHOWN = 8
REFRESH_PER_S = 4


class Watching:
    """``step`` says what happens; ``refresh`` redraws the table. Off a terminal only steps are printed."""

    def __init__(self, console: Console, app: App, length_s: float) -> None:
        self._console = console
        self._app = app
        self._lines: deque[str] = deque(maxlen=LINES_SHOWN)
        self._progress = Progress(
            TextColumn("the day"),
            BarColumn(),
            TextColumn("{task.completed:.0f} of {task.total:.0f} s"),
            TimeElapsedColumn(),
            console=console,
        )
        self._task = self._progress.add_task("day", total=length_s)
        self._live: Live | None = None

    def __enter__(self) -> Self:
        if self._console.is_terminal:
            self._live = Live(self._picture(), console=self._console, refresh_per_second=REFRESH_PER_S)
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live is not None:
            self._live.update(self._picture(), refresh=True)
            self._live.stop()

    def step(self, step: ScenarioStep) -> None:
        self._progress.update(self._task, completed=step.at_s)
        if step.what:
            self.say(f"{step.at_s:5.1f} s  {step.what}")

    def say(self, line: str) -> None:
        self._lines.append(line)
        if self._live is None:
            self._console.print(line, highlight=False)

    def refresh(self) -> None:
        if self._live is not None:
            self._live.update(self._picture())

    def _picture(self) -> Group:
        watchers = [watcher for watcher in self._app.registry.watchers.values() if watcher.target is not None]
        lines = Text("\n".join(self._lines))
        return Group(
            self._progress, printer_table(watchers), Panel(lines, title="what happens", height=LINES_SHOWN + 2)
        )


def printer_table(watchers: Iterable[PrinterWatcher]) -> Table:
    """One row a printer: what its meter says, how old that is, what is open."""
    table = Table(title="printers", expand=False)
    for heading, justify in (
        ("printer", "left"),
        ("meter", "right"),
        ("state", "left"),
        ("last good", "right"),
        ("open windows", "right"),
    ):
        table.add_column(heading, justify=justify)  # type: ignore[arg-type] # rich's own literals
    for watcher in watchers:
        count, state = _shown(watcher)
        age_s = "-"
        if watcher.last_good is not None:
            age_s = f"{(watcher.around.clock.now_us() - watcher.last_good.received_us) / 1e6:.1f} s ago"
        table.add_row(watcher.printer, count, state, age_s, str(watcher.open_windows() or ""))
    return table


def _shown(watcher: PrinterWatcher) -> tuple[str, str]:
    match watcher.last:
        case Reading(sight=sight):
            total = sight.count("total")
            state = " ".join([sight.state.value, *sight.errors])
            return ("?" if total is None else f"{total.value:,}"), state
        case Failure(reason=reason):
            return "?", reason.value
        case _:
            return "", "not read yet"
