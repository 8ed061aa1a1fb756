"""The demo itself: bring up the college and the daemon, play the day, judge what was found."""

from __future__ import annotations

import asyncio
import signal
import sys
from collections.abc import Sequence
from contextlib import AsyncExitStack
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from rich.console import Console

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.app.replay import replay_store
from pagereeve.app.running import loop_factory
from pagereeve.demo.judgement import DayJudgement, judge
from pagereeve.demo.live_view import Watching
from pagereeve.demo.relay_process import relay_process, relayed
from pagereeve.demo.report import report
from pagereeve.demo.settings import demo_settings
from pagereeve.domain.ledger import Posting
from pagereeve.domain.values.instants import FOREVER_US
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
PLAIN_WIDTH = 120

ADVISED: Final = (
    ("Ask it", "totals --by cost-centre"),
    ("", "findings"),
    ("Explain one", "findings explain FINDING --reason jam"),
)
"""What may be typed while it still runs, each with what it is for."""


def run_demo(
    *, seed: int = 1, length_s: float | None = None, keep: bool = False, http_port: int = 0, long: bool = False
) -> int:
    """Play the day and judge it. 0: every planted fault found, nothing else, every page accounted for; else 1.

    ``long``: nearly every kind of finding occurs (no journal is damaged, no clock set).
    """
    console = Console(width=None if sys.stdout.isatty() else PLAIN_WIDTH)
    set_up_logs("auto", "error", sys.stderr)
    with TemporaryDirectory(prefix="pagereeve-demo-") as folder, asyncio.Runner(loop_factory=loop_factory()) as runner:
        whole_s = length_s if length_s is not None else LONG_SHORTEST_S if long else DAY_S
        play = _play(console, seed, whole_s, Path(folder), keep=keep, http_port=http_port, long=long)
        return runner.run(play)


async def _play(
    console: Console, seed: int, length_s: float, folder: Path, *, keep: bool, http_port: int, long: bool
) -> int:
    clock = SystemClock()
    async with AsyncExitStack() as stack:
        college = College(seed, clock, places=LONG_PLACES if long else PLACES)
        stack.push_async_callback(college.stop)
        await college.start()
        day = (a_long_day if long else a_working_day)(college, seed, length_s)
        settings = demo_settings(college, folder, http_port)
        await stack.enter_async_context(relay_process(settings))
        app = await stack.enter_async_context(App(settings, clock=clock, first_reads_spread_s=FIRST_READS_S))
        await connect(college, app)
        _welcome(console, college, app, seed, length_s)
        with Watching(console, app, length_s) as watching:
            await _through_the_day(day, watching, app, college)
        judgement = await _judge(college, app)
        replayed = await replay_store(app.store, store=False)
        good = await report(console, app, judgement, replayed)
        if keep:
            await _keep(console, app)
        return 0 if good else 1


async def connect(college: College, app: App) -> None:
    """Badge lines pass the relay and release notices go to the daemon from now on."""
    host, port = app.http_address
    college.point_events(f"http://{host}:{port}/v1/events", gate_s=GATE_S)
    addresses = await relayed(app.feeds, tuple(one.name for one in app.settings.relays))
    for relay in app.settings.relays:
        if relay.gateway is not None:
            await college.point_badges(relay.gateway, addresses[relay.name])


def _welcome(console: Console, college: College, app: App, seed: int, length_s: float) -> None:
    host, port = app.http_address
    console.print(
        f"[bold]{COLLEGE}[/bold] (invented): {len(college.printers)} printers behind {len(app.settings.gateways)} "
        f"gateways, {len(college.people)} people, seed {seed}, a day of {length_s:.0f} s.\n"
        f"{len(college.planted)} faults are planted on purpose. "
        f"The daemon listens on http://{host}:{port} (/metrics, /readyz).",
        highlight=False,
    )


async def _through_the_day(day: Scenario, watching: Watching, app: App, college: College) -> None:
    """Play every step, then wait until the printers and the meter's windows are at rest."""
    playing = asyncio.create_task(day.run(app.clock, watching.step), name="the day")
    while not playing.done():
        watching.refresh()
        await asyncio.wait([playing], timeout=0.25)
    await playing
    watching.say("the day is over; waiting for the meters to rest")
    waited_s = 0.0
    while waited_s < REST_LONGEST_S and not (college.resting() and _all_closed(app)):
        watching.refresh()
        await asyncio.sleep(0.25)
        waited_s += 0.25
    await asyncio.sleep(REST_S)
    watching.refresh()


def _all_closed(app: App) -> bool:
    return not any(watcher.open_windows() for watcher in app.registry.watchers.values() if watcher.target is not None)


async def _judge(college: College, app: App) -> DayJudgement:
    findings = await app.store.findings(only_open=False)
    postings: Sequence[Posting] = [one async for one in app.store.postings(0, FOREVER_US)]
    return judge(college.planted, findings, postings, college.truth())


async def _keep(console: Console, app: App) -> None:
    """Leave everything running, endpoints too, until Ctrl-C or SIGTERM."""
    host, port = app.http_address
    stopped = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stopped.set)
    folder = app.settings.data_dir
    advised = (f"{f'{what}:' if what else '':<16}pagereeve {command} --data-dir {folder}" for what, command in ADVISED)
    console.print(
        f"\nStill running: http://{host}:{port}/metrics and /readyz; Ctrl-C ends it.\n" + "\n".join(advised),
        highlight=False,
        soft_wrap=True,
    )
    await stopped.wait()
