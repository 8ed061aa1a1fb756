"""What the demo shows while it happens: a picture on a terminal that holds it, plain lines elsewhere."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from typing import Final, Self

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.progress import BarColumn, Progress, TextColumn
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from pagereeve.app.daemon import App
from pagereeve.demo.found import Found
from pagereeve.domain.facts.reading import Failure, Reading
from pagereeve.engine.printers.watcher import PrinterWatcher
from pagereeve.simulator.college.scenario import ScenarioStep

LEAST_WIDTH: Final = 80
LEAST_HEIGHT: Final = 24
LINES_KEPT: Final = 200
REFRESH_PER_S: Final = 4
# The progress, the table's head, two rules, and the line below on which a terminal's cursor rests.
OTHER_LINES: Final = 5


def holds_picture(console: Console) -> bool:
    """Is it a terminal of 80 x 24 at least that can be drawn upon?"""
    wide = console.width >= LEAST_WIDTH and console.height >= LEAST_HEIGHT
    return console.is_terminal and not console.is_dumb_terminal and wide


class Watching:
    """``step`` says what happens, ``found`` what the daemon found; ``refresh`` redraws. The newest lines stay."""

    def __init__(self, console: Console, app: App, length_s: float) -> None:
        self._console = console
        self._app = app
        self._happened: deque[str] = deque(maxlen=LINES_KEPT)
        self._found: deque[str] = deque(maxlen=LINES_KEPT)
        self._progress = Progress(
            TextColumn("the day"), BarColumn(), TextColumn("{task.completed:.0f} of {task.total:.0f} s")
        )
        self._task = self._progress.add_task("day", total=length_s)
        self._live: Live | None = None

    def __enter__(self) -> Self:
        if holds_picture(self._console):
            self._live = Live(self._picture(), console=self._console, refresh_per_second=REFRESH_PER_S, transient=True)
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live is not None:
            self._live.stop()

    def step(self, step: ScenarioStep) -> None:
        self._progress.update(self._task, completed=step.at_s)
        if step.what:
            self.say(step.at_s, step.what)

    def say(self, at_s: float, what: str) -> None:
        self._add(self._happened, f"{at_s:5.1f} s  {what}")

    def found(self, one: Found) -> None:
        self._add(self._found, f"{one.at_s:5.1f} s  {one.short if self._live is not None else one.sentence}")

    def refresh(self, at_s: float) -> None:
        if self._live is not None:
            self._progress.update(self._task, completed=at_s)
            self._live.update(self._picture())

    def _add(self, lines: deque[str], line: str) -> None:
        lines.append(line)
        if self._live is None:
            self._console.print(line, highlight=False, markup=False, soft_wrap=True)

    def _picture(self) -> Group:
        watchers = [watcher for watcher in self._app.registry.watchers.values() if watcher.target is not None]
        return picture(self._progress, watchers, self._happened, self._found, self._console.height)


def picture(
    progress: RenderableType,
    watchers: list[PrinterWatcher],
    happened: Iterable[str],
    found: Iterable[str],
    height: int,
) -> Group:
    """``height`` lines at most, without the terminal's last; what room there is goes to the newest of both lists."""
    room = max(2, height - OTHER_LINES - len(watchers))
    above = room // 2
    return Group(
        progress,
        printer_table(watchers),
        Rule("what happens", align="left"),
        _newest(happened, above),
        Rule("what the daemon found, and how soon after it happened", align="left"),
        _newest(found, room - above),
    )


def _newest(lines: Iterable[str], count: int) -> Text:
    shown = list(lines)[-count:]
    return Text("\n".join([*shown, *[""] * (count - len(shown))]), no_wrap=True, overflow="ellipsis")


def printer_table(watchers: Iterable[PrinterWatcher]) -> Table:
    """One row a printer: what its meter says, how old that is, what is open."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("printer", no_wrap=True)
    table.add_column("meter", justify="right", no_wrap=True)
    table.add_column("state", no_wrap=True, max_width=24)
    table.add_column("last good", justify="right", no_wrap=True)
    table.add_column("open windows", justify="right", no_wrap=True)
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
