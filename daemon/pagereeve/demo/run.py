"""The demo itself: bring up the college and the daemon, play the day, judge what was found."""

from __future__ import annotations

import asyncio
import errno
import os
import shlex
import shutil
import socket
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import AsyncExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rich.console import Console

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.app.replay import replay_store
from pagereeve.app.running import loop_factory
from pagereeve.demo.advice import command_lines
from pagereeve.demo.day_clock import DayClock
from pagereeve.demo.ending import BY_SIGNAL, Ending
from pagereeve.demo.found import FindingWatch
from pagereeve.demo.judgement import DayJudgement, judge
from pagereeve.demo.live_view import Watching
from pagereeve.demo.relay_process import relay_process, relayed
from pagereeve.demo.report import report_all, report_answer, result_of
from pagereeve.demo.settings import demo_settings, settings_text
from pagereeve.domain.ledger import Posting
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.domain.values.instants import FOREVER_US, SECOND_US
from pagereeve.ports.setting_types import HostPort
from pagereeve.relay.settings_file import SOCKET_NAME, socket_problem
from pagereeve.settings import Settings
from pagereeve.simulator.college.college import College
from pagereeve.simulator.college.day import a_working_day
from pagereeve.simulator.college.long_day import LONG_SHORTEST_S, a_long_day
from pagereeve.simulator.college.roll import COLLEGE, LONG_PLACES, PLACES
from pagereeve.simulator.college.scenario import Scenario
from pagereeve.telemetry.logs import set_up_logs

GATE_S = 2
DAY_S = 50.0
REST_S = 2.5
REST_LONGEST_S = 30.0
FIRST_READS_S = 0.5
LOOK_S: Final = 0.25
# The day stands still for so much of its length while the machine has no time for it.
STANDS_SHARE: Final = 0.3
PLAIN_WIDTH = 120
# Where the system's own folder for temporary files lies too deep for a socket.
SHORT_FOLDER: Final = "/tmp"  # noqa: S108 - a folder of an unguessable name is made in it
SETTINGS_NAME: Final = "pagereeve.toml"


class PortTaken(PagereeveError):
    """The demo can't have the port that it was told to use."""


@dataclass(frozen=True, slots=True)
class DemoOptions:
    """``long``: nearly every kind of finding occurs (no journal is damaged, no clock set). ``whole``: report all."""

    seed: int = 1
    length_s: float | None = None
    keep: bool = False
    http_port: int = 0
    long: bool = False
    whole: bool = False

    @property
    def day_s(self) -> float:
        return self.length_s if self.length_s is not None else LONG_SHORTEST_S if self.long else DAY_S


def run_demo(options: DemoOptions) -> int:
    """Play the day and judge it. 0: every planted fault found, nothing else, every page accounted for; else 1.

    128 and the number of a signal that ended it before. Raises PortTaken.
    """
    require_free(options.http_port)
    console = Console(width=None if sys.stdout.isatty() else PLAIN_WIDTH)
    set_up_logs("auto", "error", sys.stderr)
    with demo_folder() as folder, asyncio.Runner(loop_factory=loop_factory()) as runner:
        ending = Ending()
        status = runner.run(ending.over(DemoDay(console, options, folder, ending).play()))
    if status >= BY_SIGNAL:
        console.print("Ended before its time; nothing stays behind.")
    return status


def require_free(port: int) -> None:
    """Raises PortTaken, before anything is begun."""
    if not port:
        return
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError as error:
            why = "is in use" if error.errno == errno.EADDRINUSE else f"can't be used ({os.strerror(error.errno or 0)})"
            raise PortTaken(
                f"port {port} {why} on 127.0.0.1; give another --http-port, or leave it out for a free one"
            ) from None


@dataclass(slots=True)
class DemoFolder:
    path: Path
    is_kept: bool = False


@contextmanager
def demo_folder() -> Iterator[DemoFolder]:
    """A folder that is gone afterwards, unless it is kept by then."""
    name = "pagereeve-demo-"
    deep = socket_problem(Path(tempfile.gettempdir()) / f"{name}12345678" / SOCKET_NAME)
    folder = DemoFolder(Path(tempfile.mkdtemp(prefix=name, dir=SHORT_FOLDER if deep else None)))
    try:
        yield folder
    finally:
        if not folder.is_kept:
            shutil.rmtree(folder.path)


class DemoDay:
    """One run of the demo."""

    def __init__(self, console: Console, options: DemoOptions, folder: DemoFolder, ending: Ending) -> None:
        self._console = console
        self._options = options
        self._folder = folder
        self._ending = ending
        self._clock = SystemClock()

    async def play(self) -> int:
        options, clock = self._options, self._clock
        async with AsyncExitStack() as stack:
            college = College(options.seed, clock, places=LONG_PLACES if options.long else PLACES)
            stack.push_async_callback(college.stop)
            await college.start()
            day = (a_long_day if options.long else a_working_day)(college, options.seed, options.day_s)
            settings = demo_settings(college, self._folder.path, options.http_port)
            await stack.enter_async_context(relay_process(settings))
            app = await stack.enter_async_context(App(settings, clock=clock, first_reads_spread_s=FIRST_READS_S))
            await connect(college, app)
            config = write_settings(app, self._folder.path)
            self._welcome(college, app)
            watch = FindingWatch(college.planted)
            with Watching(self._console, app, options.day_s) as watching:
                await self._through(day, watching, watch, app, college)
            judgement = await _judge(college, app, watch)
            result = await result_of(app, judgement, await replay_store(app.store, store=False))
            if options.whole:
                await report_all(self._console, app, result)
            report_answer(self._console, result, whole=options.whole)
            if options.keep:
                await self._keep(app, config, college)
            elif not options.whole:
                self._console.print("Totals, findings, pages in full: --all. Ask it yourself: --keep.", highlight=False)
            return 0 if result.good else 1

    def _welcome(self, college: College, app: App) -> None:
        host, port = app.http_address
        self._console.print(
            f"[bold]{COLLEGE}[/bold] (invented): {len(college.printers)} printers behind "
            f"{len(app.settings.gateways)} gateways, {len(college.people)} people, a day of "
            f"{self._options.day_s:.0f} s (seed {self._options.seed}).\n"
            f"{len(college.planted)} faults are planted on purpose. The daemon answers on http://{host}:{port}/",
            highlight=False,
            soft_wrap=True,
        )

    async def _through(
        self, day: Scenario, watching: Watching, watch: FindingWatch, app: App, college: College
    ) -> None:
        """Play every step, then wait until the printers and the meter's windows are at rest."""
        clock = DayClock(app.clock, int(STANDS_SHARE * self._options.day_s * SECOND_US))
        began_us = clock.monotonic_us()

        async def look() -> float:
            at_s = (clock.monotonic_us() - began_us) / SECOND_US
            for found in watch.news(await app.store.findings(only_open=False), at_s):
                watching.found(found)
            watching.refresh(at_s)
            return at_s

        playing = asyncio.create_task(day.run(clock, watching.step), name="the day")
        try:
            while not playing.done():
                await look()
                await asyncio.wait([playing], timeout=LOOK_S)
            await playing
        finally:
            playing.cancel()
        watching.say(await look(), "the day is over; waiting for the meters to rest")
        over_us = self._clock.monotonic_us()
        rested_us: int | None = None
        while rested_us is None or self._clock.monotonic_us() < rested_us + REST_S * SECOND_US:
            await look()
            await asyncio.sleep(LOOK_S)
            now_us = self._clock.monotonic_us()
            late = now_us > over_us + REST_LONGEST_S * SECOND_US
            if rested_us is None and (late or (college.resting() and _all_closed(app))):
                rested_us = now_us
        await look()

    async def _keep(self, app: App, config: Path, college: College) -> None:
        """Leave everything running, endpoints too, until it is ended; and the folder after that."""
        host, port = app.http_address
        self._folder.is_kept = True
        self._say(
            f"\nStill running on http://{host}:{port}/ (open it). Ctrl-C ends it. In another terminal, as they stand:"
        )
        for line in command_lines(await _names(app, config, college)):
            self._say(f"  {line}")
        await self._ending.rest()
        removed = shlex.join(["rm", "-r", str(self._folder.path)])
        self._say(f"\nThe journal and its settings stay; this removes them:\n  {removed}")

    def _say(self, text: str) -> None:
        self._console.print(text, highlight=False, markup=False, soft_wrap=True)


async def connect(college: College, app: App) -> None:
    """Badge lines pass the relay and release notices go to the daemon from now on."""
    host, port = app.http_address
    college.point_events(f"http://{host}:{port}/v1/events", gate_s=GATE_S)
    addresses = await relayed(app.feeds, tuple(one.name for one in app.settings.relays))
    for relay in app.settings.relays:
        if relay.gateway is not None:
            await college.point_badges(relay.gateway, addresses[relay.name])


def write_settings(app: App, folder: Path) -> Path:
    """The settings of the daemon that runs, with the ports that it really has, for every command's --config."""
    file = folder / SETTINGS_NAME
    file.write_text(settings_text(_as_it_listens(app)), encoding="utf-8")
    return file


def _as_it_listens(app: App) -> Settings:
    settings = app.settings
    http = settings.http.model_copy(update={"listen": HostPort(*app.http_address)})
    relays = tuple(one.model_copy(update={"listen": HostPort(*app.feeds[one.name].address)}) for one in settings.relays)
    return settings.model_copy(update={"http": http, "relays": relays})


def _all_closed(app: App) -> bool:
    """On a busy machine facts wait to be projected: the windows that they open are not among the open ones yet."""
    read = (watcher for watcher in app.registry.watchers.values() if watcher.target is not None)
    return not any(watcher.open_windows() or watcher.left_something for watcher in read)


async def _judge(college: College, app: App, watch: FindingWatch) -> DayJudgement:
    findings = await app.store.findings(only_open=False)
    postings: Sequence[Posting] = [one async for one in app.store.postings(0, FOREVER_US)]
    return judge(college.planted, findings, postings, college.truth(), watch.delays())


async def _names(app: App, config: Path, college: College) -> dict[str, str]:
    """For the commands: a finding that a person explains, the release that it is about, and its printer."""
    findings = await app.store.findings(only_open=True)
    chosen = next((one for one in findings if one.kind == "shortfall" and one.releases), None)
    names = {"FILE": str(config), "PRINTER": college.printers[0]}
    if chosen is not None:
        names |= {"FINDING": chosen.id, "RELEASE": chosen.releases[0].release, "PRINTER": chosen.printer}
    return names
