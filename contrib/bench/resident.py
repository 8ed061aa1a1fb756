"""What an idle printer costs the daemon in memory, and an open window.

    python contrib/bench/resident.py [--printers 2200] [--base 200] [--windows 5]

The daemon runs in this process, the printers' agents in another. Resident size with --base printers, each read once,
and with --printers; then --windows releases are started at each and none is ended. Sizes are taken after a collection
and after the C library gave back what it could. Targets: at most 12 KiB a printer, 2 KiB a window.
"""

from __future__ import annotations

import argparse
import asyncio
import ctypes
import gc
import multiprocessing
import os
import sys
import tempfile
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Final

from figures import Figure, report
from notice_to_read import Poster, all_read_once, event, raise_file_limit

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.app.running import loop_factory
from pagereeve.settings import HostPort, HttpSettings, PrinterSettings, Settings
from pagereeve.simulator.college.fleet import Fleet
from pagereeve.telemetry.logs import set_up_logs

PRINTER_MAX_KIB, WINDOW_MAX_KIB = 12.0, 2.0
AT_ONCE: Final = 32
PAGE_BYTES: Final = os.sysconf("SC_PAGE_SIZE")
RESTS_S: Final = 3.0


def run_fleet(pipe: Connection, printers: int) -> None:
    async def serve() -> None:
        fleet = Fleet(printers, SystemClock())
        await fleet.start()
        pipe.send(fleet.addresses())
        await asyncio.to_thread(pipe.recv)
        await fleet.stop()

    raise_file_limit()
    asyncio.run(serve())


def resident_kib() -> float:
    gc.collect()
    if sys.platform == "linux":
        ctypes.CDLL(None).malloc_trim(0)
    return int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1]) * PAGE_BYTES / 1024


async def start_windows(app: App, names: list[str], each: int) -> None:
    poster = Poster(*app.http_address)
    await poster.start()
    room = asyncio.Semaphore(AT_ONCE)

    async def start(name: str, nth: int) -> None:
        ticket = {"pages": 5, "copies": 1, "sides": "one-sided", "number_up": 1, "separator_sheets": 0}
        release = f"{name}-{nth}"
        data = {"release": release, "job": f"job-{release}", "owner": "user-1", "printer": name, "ticket": ticket}
        async with room:
            status = await poster.post(event("pagereeve.release.started.v1", f"{release}.started", data), gated=False)
        if status != 200:
            raise SystemExit(f"a notice was answered with {status}")

    await asyncio.gather(*(start(name, nth) for nth in range(each) for name in names))


async def sizes(folder: Path, addresses: dict[str, tuple[str, int]], windows: int) -> tuple[float, float, int]:
    """KiB with each printer read once and nothing open, and with the windows open; and how many these are."""
    printers = tuple(PrinterSettings(name=name, host=host, port=port) for name, (host, port) in addresses.items())
    http = HttpSettings(listen=HostPort("127.0.0.1", 0), requests_per_s=100_000, requests_burst=1_000_000)
    async with App(Settings(data_dir=folder, http=http, printers=printers), first_reads_spread_s=5.0) as app:
        await all_read_once(app)
        await asyncio.sleep(RESTS_S)
        idle_kib = resident_kib()
        await start_windows(app, list(addresses), windows)
        await asyncio.sleep(RESTS_S)
        found = sum(watcher.open_windows() for watcher in app.registry.watchers.values())
        return idle_kib, resident_kib(), found


def run_sizes(pipe: Connection, addresses: dict[str, tuple[str, int]], windows: int) -> None:
    raise_file_limit()
    set_up_logs("auto", "error", sys.stderr)
    with tempfile.TemporaryDirectory() as folder, asyncio.Runner(loop_factory=loop_factory()) as runner:
        pipe.send(runner.run(sizes(Path(folder), addresses, windows)))


def measured(printers: int, windows: int) -> tuple[float, float, int]:
    """In a process of its own, which has no memory of the last one's."""
    spawn = multiprocessing.get_context("spawn")
    agents, theirs = multiprocessing.Pipe()
    fleet = spawn.Process(target=run_fleet, args=(theirs, printers))
    fleet.start()
    mine, its = multiprocessing.Pipe()
    daemon = spawn.Process(target=run_sizes, args=(its, agents.recv(), windows))
    daemon.start()
    its.close()
    try:
        found: tuple[float, float, int] = mine.recv()
    finally:
        daemon.join()
        agents.send("done")
        fleet.join()
    return found


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--printers", type=int, default=2_200)
    parser.add_argument("--base", type=int, default=200)
    parser.add_argument("--windows", type=int, default=5)
    args = parser.parse_args()
    few_kib, _, _ = measured(args.base, 1)
    many_kib, open_kib, windows = measured(args.printers, args.windows)
    printer_kib = (many_kib - few_kib) / (args.printers - args.base)
    window_kib = (open_kib - many_kib) / max(1, windows)
    told = f"{args.base} printers {few_kib:,.0f} KiB, {args.printers} {many_kib:,.0f} KiB"
    print(f"{told}, with {windows} windows {open_kib:,.0f} KiB")
    return report(
        [
            Figure("memory of an idle printer", printer_kib, unit="KiB", at_most=PRINTER_MAX_KIB),
            Figure("memory of an open window", window_kib, unit="KiB", at_most=WINDOW_MAX_KIB),
        ]
    )


if __name__ == "__main__":
    raise SystemExit(main())
