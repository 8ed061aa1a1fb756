"""A fleet's meters: what the last new printer costs against the first, memory, dead printers beside good ones.

    python contrib/bench/meter_fleet.py [--printers 5000] [--good 100] [--dead 500] [--reads 100000]

Every printer has an address of its own on loopback and one process plays all agents. Figures are ratios of one run, and
bytes. Targets: first reads of the last tenth at most 1.5 x those of the first; at most 4 KiB for an idle printer;
memory flat over many reads; good printers' p50 and p99 at most 2 x with dead ones beside them.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import multiprocessing
import os
import resource
import socket
import statistics
import time
import tracemalloc
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from figures import Figure, report
from meter_read import serve

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.domain.facts.reading import Reading
from pagereeve.meters.reader import SnmpMeter
from pagereeve.ports.meter import MeterTarget

AT_ONCE = 50
BATCHES = 10


@contextmanager
def silence() -> Iterator[int]:
    """The port of a socket on every address that nobody reads."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as unread:
        unread.bind(("", 0))
        yield unread.getsockname()[1]


def addresses(many: int, net: int) -> list[str]:
    return [f"127.{net}.{number // 250}.{number % 250 + 1}" for number in range(many)]


def targets(hosts: Sequence[str], port: int) -> list[MeterTarget]:
    return [MeterTarget(printer=host, host=host, port=port) for host in hosts]


async def read_all(meter: SnmpMeter, wanted: Sequence[MeterTarget], timeout_s: float = 5.0) -> list[float]:
    """How long each read took, in seconds; every one has to be good."""
    room = asyncio.Semaphore(AT_ONCE)
    took: list[float] = []

    async def one(target: MeterTarget) -> None:
        async with room:
            begun = time.perf_counter()
            if not isinstance(await meter.read(target, timeout_s), Reading):
                raise SystemExit(f"{target.printer} was not read")
            took.append(time.perf_counter() - begun)

    await asyncio.gather(*(one(target) for target in wanted))
    return took


async def first_reads(meter: SnmpMeter, fleet: list[MeterTarget]) -> list[Figure]:
    """Processor time and memory of printers that are seen for the first time, in ten batches."""
    size = len(fleet) // BATCHES
    cpu = []
    tracemalloc.start()
    gc.collect()
    before = tracemalloc.get_traced_memory()[0]
    for number in range(BATCHES):
        begun = time.process_time()
        await read_all(meter, fleet[number * size : (number + 1) * size])
        cpu.append(time.process_time() - begun)
    gc.collect()
    held = tracemalloc.get_traced_memory()[0] - before
    tracemalloc.stop()
    what = f"processor time of first reads, last tenth of {len(fleet)} printers"
    return [
        Figure(what, cpu[-1] / cpu[0], "the first tenth", at_most=1.5),
        Figure("memory of the reader for an idle printer", held / len(fleet) / 1024, unit="KiB", at_most=4.0),
    ]


async def many_reads(meter: SnmpMeter, fleet: list[MeterTarget], reads: int) -> Figure:
    """Whether memory grows over reads of printers that are known."""
    sizes = []
    for _ in range(3):
        for _ in range(max(1, reads // 3 // len(fleet))):
            await read_all(meter, fleet)
        gc.collect()
        sizes.append(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
    print(f"largest memory after each third of {reads} reads: {', '.join(f'{size:,} KiB' for size in sizes)}")
    return Figure(f"memory after {reads} reads", sizes[-1] / sizes[0], "after a third of them", at_most=1.05)


def percentiles(took: Sequence[float]) -> tuple[float, float]:
    ranked = statistics.quantiles(took, n=100)
    return ranked[49] * 1000, ranked[98] * 1000


async def beside_the_dead(meter: SnmpMeter, good: list[MeterTarget], dead: list[MeterTarget]) -> list[Figure]:
    """Good printers' times alone, and with others asked at the same time that never answer."""
    await read_all(meter, good)
    alone = [took for _ in range(30) for took in await read_all(meter, good)]
    hanging = [asyncio.create_task(meter.read(target, 20.0)) for target in dead]
    await asyncio.sleep(0.5)
    beside = [took for _ in range(30) for took in await read_all(meter, good)]
    for task in hanging:
        task.cancel()
    await asyncio.gather(*hanging, return_exceptions=True)
    (p50, p99), (p50_dead, p99_dead) = percentiles(alone), percentiles(beside)
    print(f"{len(good)} good printers alone: p50 {p50:.2f} ms, p99 {p99:.2f} ms")
    what = f"good reads beside {len(dead)} dead printers"
    return [
        Figure(f"median of {what}", p50_dead / p50, "alone", at_most=2.0),
        Figure(f"p99 of {what}", p99_dead / p99, "alone", at_most=2.0),
    ]


async def run(options: argparse.Namespace, hosts: list[str], port: int) -> list[Figure]:
    meter = SnmpMeter.of(SystemClock(), SystemEntropy())
    fleet = targets(hosts, port)
    figures = await first_reads(meter, fleet)
    silent = targets(addresses(options.dead, 40), options.silent_port)
    figures += await beside_the_dead(meter, fleet[: options.good], silent)
    figures.append(await many_reads(meter, fleet[:500], options.reads))
    print(f"kernel drops {meter.endpoint.kernel_drops}, retries {meter.stats.retries}")
    await meter.close()
    return figures


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--printers", type=int, default=5000)
    parser.add_argument("--good", type=int, default=100)
    parser.add_argument("--dead", type=int, default=500)
    parser.add_argument("--reads", type=int, default=100_000)
    options = parser.parse_args()
    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(hard, 65_536), hard))
    hosts = addresses(options.printers, 30)
    here, there = multiprocessing.Pipe()
    agent = multiprocessing.get_context("fork").Process(target=serve, args=(hosts, there), daemon=True)
    agent.start()
    with silence() as options.silent_port:
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
        try:
            return report(asyncio.run(run(options, hosts, here.recv())))
        finally:
            agent.terminate()
            agent.join()


if __name__ == "__main__":
    raise SystemExit(main())
