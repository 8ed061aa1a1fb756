"""``pagereeve read --from FILE`` of a fleet: all answering, and good ones beside dead ones.

    python contrib/bench/read_fleet.py [--printers 500] [--good 100] [--dead 500]

Simulated printers answer from a process of their own; the command runs as an engineer runs it. Targets: 500 that answer
within a minute; 500 that never answer beside 100 that do, within three rounds of the time limit.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import multiprocessing
import resource
import subprocess
import sys
import tempfile
import time
from multiprocessing.connection import Connection
from pathlib import Path

from figures import Figure, report

from pagereeve.app.clocks import SystemClock
from pagereeve.app.fleet_look import AT_ONCE_MAX
from pagereeve.simulator.college.fleet import Fleet

ALL_MAX_S = 60.0
TIMEOUT_S = 15.0


def serve(size: int, silent: int, pipe: Connection) -> None:
    async def run() -> None:
        fleet = Fleet(size, SystemClock())
        await fleet.start()
        for printer in list(fleet.printers.values())[:silent]:
            printer.silent = True
        pipe.send([f"{host}:{port}" for host, port in fleet.addresses().values()])
        await asyncio.Event().wait()

    asyncio.run(run())


def read(places: list[str], folder: Path) -> tuple[float, int]:
    """Seconds that the command took, and how many meters could be used."""
    path = folder / "printers.txt"
    path.write_text("\n".join(places))
    program = str(Path(sys.executable).with_name("pagereeve"))
    begun_s = time.perf_counter()
    done = subprocess.run([program, "read", "--from", str(path), "--json"], stdout=subprocess.PIPE, check=False)
    return time.perf_counter() - begun_s, json.loads(done.stdout)["printers_usable"]


def measure(good: int, dead: int, folder: Path) -> tuple[float, int]:
    here, there = multiprocessing.Pipe()
    process = multiprocessing.get_context("fork").Process(target=serve, args=(good + dead, dead, there), daemon=True)
    process.start()
    try:
        return read(here.recv(), folder)
    finally:
        process.terminate()
        process.join()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--printers", type=int, default=500)
    parser.add_argument("--good", type=int, default=100)
    parser.add_argument("--dead", type=int, default=500)
    options = parser.parse_args()
    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(hard, 65_536), hard))
    limit_s = -(-(options.good + options.dead) // AT_ONCE_MAX) * TIMEOUT_S
    with tempfile.TemporaryDirectory() as scratch:
        took_s, usable = measure(options.printers, 0, Path(scratch))
        beside_s, good = measure(options.good, options.dead, Path(scratch))
    beside = f"{options.good} good beside {options.dead} dead printers"
    return report(
        [
            Figure(f"`read` of {options.printers} printers", took_s, unit="s", at_most=ALL_MAX_S),
            Figure(f"usable of {options.printers} printers", usable / options.printers, "all", at_least=1.0),
            Figure(f"`read` of {beside}", beside_s, unit="s", at_most=limit_s + 10),
            Figure(f"usable of {beside}", good / options.good, "the good", at_least=1.0),
        ]
    )


if __name__ == "__main__":
    raise SystemExit(main())
