"""The daemon in this process: its loop, its signals, and what it tells the service manager."""

from __future__ import annotations

import asyncio
import gc
import os
import signal
import sys
from collections.abc import Callable
from functools import partial
from typing import Final

import structlog

from pagereeve.app import descriptors
from pagereeve.app.daemon import App
from pagereeve.app.dating_on import Corrected
from pagereeve.app.oidc import require_oidc
from pagereeve.app.reload_plan import LoadSettings
from pagereeve.app.start_options import StartOptions
from pagereeve.domain.values.amounts import amount
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.settings import Settings
from pagereeve.telemetry.service_manager import ServiceManager

SWITCH_INTERVAL_S: Final = 0.000_5

log = structlog.get_logger("pagereeve.app")


async def serve_until_told(
    settings: Settings, options: StartOptions | None = None, load: LoadSettings | None = None
) -> None:
    """Run the daemon until SIGTERM or SIGINT. SIGHUP reads the settings again by ``load``.

    It begins again by itself when its dates are corrected. Raises JournalUnavailable where it ended because a newer
    version brought its journal to what this one does not know.
    """
    stopped, hung_up = asyncio.Event(), asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stopped.set)
    # Whoever asks during the start gets the reload after it.
    loop.add_signal_handler(signal.SIGHUP, hung_up.set)
    manager = ServiceManager.of(os.environ, os.getpid())
    after: Corrected | None = None
    while not stopped.is_set():
        async with App(settings, options=options, load=load, after=after) as app:
            tune_interpreter()
            loop.add_signal_handler(signal.SIGHUP, app.reloader.ask)
            if hung_up.is_set():
                app.reloader.ask()
            hung_up.clear()
            if manager.watchdog_s is not None:
                app.watchdog.feed(partial(manager.tell, "WATCHDOG=1"), manager.watchdog_s)
            manager.tell(
                "READY=1", f"STATUS={amount(len(settings.printers), 'printer')}, HTTP on {settings.http.listen}"
            )
            outdated = app.journal_changes.outdated
            await _first_of(stopped, app.clock_keeper.correctable, outdated)
            if stopped.is_set() or outdated.is_set():
                log.info("stopping")
                manager.tell("STOPPING=1", "STATUS=Stores what was accepted, and ends")
            after = app.clock_keeper.corrected
            # What was reloaded since is in force after the correction, too; what one start alone asked for is done.
            settings, options = app.settings, None
            loop.add_signal_handler(signal.SIGHUP, hung_up.set)
        if outdated.is_set():
            raise JournalUnavailable(app.journal_changes.why, "outdated")


async def _first_of(*events: asyncio.Event) -> None:
    waiting = [asyncio.create_task(event.wait()) for event in events]
    try:
        await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for one in waiting:
            one.cancel()


def tune_interpreter() -> None:
    """After the start: what is there stays, and cycles are looked for when nobody waits (supervision/garbage.py),
    not in the middle of a notice; and the loop need not wait 5 ms for the interpreter whenever the journal's thread
    has it.
    """
    gc.collect()
    gc.freeze()
    gc.disable()
    sys.setswitchinterval(SWITCH_INTERVAL_S)


def run_daemon(settings: Settings, options: StartOptions | None = None, load: LoadSettings | None = None) -> None:
    """Run in this process, on uvloop where it is installed. Raises BadSettings."""
    require_oidc(settings)
    descriptors.raise_limit()
    with asyncio.Runner(loop_factory=loop_factory()) as runner:
        runner.run(serve_until_told(settings, options, load))


def loop_factory() -> Callable[[], asyncio.AbstractEventLoop] | None:
    """The loop of uvloop, None where it is not installed. What it gives is little beside a read's own work: on a busy
    machine, by turns, now one and now the other loop took less CPU (contrib/bench/meter_read.py with and without it).
    """
    try:
        import uvloop  # noqa: PLC0415 - optional: absent on some platforms
    except ImportError:
        return None
    factory: Callable[[], asyncio.AbstractEventLoop] = uvloop.new_event_loop
    return factory
