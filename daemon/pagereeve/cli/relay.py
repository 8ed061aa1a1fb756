"""``pagereeve relay``."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import os
import resource
import secrets
import signal
import sys
import time
from collections.abc import Callable
from typing import Final, TextIO, cast

import structlog

from pagereeve.cli.options import CONFIG_DEFAULT, Config
from pagereeve.ports.clock import boot_time_us
from pagereeve.relay.forwarding import Report
from pagereeve.relay.log_stream import LogStream
from pagereeve.relay.process import Relay
from pagereeve.relay.reports import SparingReport
from pagereeve.relay.settings_file import RelayFile, load_relay_file
from pagereeve.telemetry.logs import set_up_logs
from pagereeve.telemetry.service_manager import ServiceManager

DESCRIPTORS_WANTED: Final = 65_536
# WatchdogSec of the unit is several times that.
WATCHDOG_PING_S: Final = 2.0


def relay(*, config: Config = CONFIG_DEFAULT) -> None:
    """Pass badge lines on to the release server, and hand the daemon a copy, until SIGTERM or Ctrl-C.

    A process of its own: it reads [[relays]] and [log] of the settings file and nothing else, writes no file, and goes
    on whatever happens to the daemon. Exit status 2 if it can't start.
    """
    settings = load_relay_file(config, os.environ)
    stream = LogStream(sys.stderr)
    set_up_logs(settings.log.format, settings.log.level, cast("TextIO", stream))
    _guard_process()
    with asyncio.Runner(loop_factory=_loop_factory()) as runner:
        runner.run(_serve(settings))
    stream.close(within_s=1.0)


async def _serve(settings: RelayFile) -> None:
    log = structlog.get_logger("pagereeve.relay")
    report = SparingReport(
        lambda what, why, left_out: log.warning(what, **{"why": why} if why else {}, **_again(left_out)), time.monotonic
    )
    running = Relay(
        settings.relays,
        settings.socket_path,
        boot=secrets.token_hex(8),
        now_us=boot_time_us,
        report=report,
    )
    loop, stopped = asyncio.get_running_loop(), asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stopped.set)
    loop.add_signal_handler(signal.SIGHUP, log.warning, "the settings are read at the start alone; SIGHUP does nothing")
    await running.start()
    # What is there stays; connections come and go without circles.
    gc.collect()
    gc.freeze()
    tell = _teller(report)
    tell("READY=1")
    log.info("ready", relays=len(settings.relays), socket=str(settings.socket_path))
    while not stopped.is_set():
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(WATCHDOG_PING_S):
                await stopped.wait()
        tell("WATCHDOG=1")
    log.info("stopping")
    tell("STOPPING=1")
    await running.stop()


def _teller(report: Report) -> Callable[[str], None]:
    """To the service manager, if one listens; that it does not is no reason to end."""
    manager = ServiceManager.of(os.environ, os.getpid())

    def tell(text: str) -> None:
        try:
            manager.tell(text)
        except OSError as error:
            report("the service manager could not be told", error)

    return tell


def _again(left_out: int) -> dict[str, int]:
    return {"times_before": left_out} if left_out else {}


def _guard_process() -> None:
    """No core file, which would hold badge numbers; and as many connections as the system lets us have."""
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    _, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = DESCRIPTORS_WANTED if most == resource.RLIM_INFINITY else min(most, DESCRIPTORS_WANTED)
    resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, most))


def _loop_factory() -> Callable[[], asyncio.AbstractEventLoop] | None:
    """The loop of uvloop, where it is installed."""
    try:
        import uvloop  # noqa: PLC0415 - optional: absent on some platforms
    except ImportError:
        return None
    factory: Callable[[], asyncio.AbstractEventLoop] = uvloop.new_event_loop
    return factory
