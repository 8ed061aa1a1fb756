"""SNMPv2c reads for each second of processor time: Pagereeve's reader, pysnmp and net-snmp's C API, by turns.

    python contrib/bench/meter_read.py [--rounds 5] [--seconds 1.5] [--in-flight 50] [--uvloop]

One process answers from templates for all printers (127.0.1.1 ...), another reads. All sides ask for the same eight
objects. Ratios compare; absolute figures are only information. The targets: 30 x pysnmp on asyncio, 60 x on uvloop; at
most 2.5 x the processor time of the C API, which is left out, and said so, where gcc or libsnmp-dev is missing.
"""

from __future__ import annotations

import argparse
import asyncio
import multiprocessing
import os
import shutil
import socket
import statistics
import subprocess
import tempfile
import time
from collections.abc import Awaitable, Callable, Coroutine, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Final

from figures import Figure, report

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.domain.facts.reading import Reading
from pagereeve.meters.discovery.objects import (
    GENERAL_CONFIG_CHANGES,
    HR_DEVICE_PRINTER,
    HR_DEVICE_TYPE,
    MARKER_LIFE_COUNT,
    instance,
    life_count,
    pins_of,
)
from pagereeve.meters.reader import SnmpMeter
from pagereeve.meters.snmp.ber import (
    COUNTER32,
    END_OF_MIB_VIEW,
    INTEGER,
    NO_SUCH_INSTANCE,
    OBJECT_ID,
    OCTET_STRING,
    SEQUENCE,
    TIME_TICKS,
    integer,
    oid_bytes,
    oid_label,
    tlv,
)
from pagereeve.meters.snmp.message import GET, GET_NEXT, RESPONSE, Head, read_body, read_head
from pagereeve.ports.meter import MeterTarget

OURS: Final = "ours"
C_READS: Final = Path(__file__).with_name("net_snmp_reads.c")
PINS = pins_of(1, (1, 1), [life_count((1, 1))])
COUNT = 123_456
VALUES = dict(
    zip(
        PINS.names,
        (
            (TIME_TICKS, (8_640_000).to_bytes(4, "big")),
            (OBJECT_ID, oid_bytes("1.3.6.1.4.1.99999.1.7")),
            (OCTET_STRING, b"PR-BENCH-1"),
            (COUNTER32, COUNT.to_bytes(3, "big")),
            (INTEGER, b"\x07"),
            (INTEGER, b"\x03"),
            (OCTET_STRING, b"\x00\x00"),
            (COUNTER32, b"\x23"),
        ),
        strict=True,
    )
)
MIB = {
    **VALUES,
    instance(HR_DEVICE_TYPE, 1): (OBJECT_ID, oid_bytes(HR_DEVICE_PRINTER)),
    instance(GENERAL_CONFIG_CHANGES, 1): (COUNTER32, b"\x03"),
}
COLUMNS = {HR_DEVICE_TYPE, GENERAL_CONFIG_CHANGES, MARKER_LIFE_COUNT}


def names_in(data: bytes, head: Head) -> list[bytes]:
    """What a request asks for: its PDU has the shape of a response's (RFC 3416 section 3)."""
    return [varbind.oid for varbind in read_body(data, head).varbinds]


def found(pdu_tag: int, name: bytes) -> tuple[bytes, int, bytes]:
    """The object, or the first row of a column; whatever else is asked for isn't there."""
    if pdu_tag == GET_NEXT:
        row = instance(name, 1, 1) if name == MARKER_LIFE_COUNT else instance(name, 1)
        return (row, *MIB[row]) if name in COLUMNS else (name, END_OF_MIB_VIEW, b"")
    return (name, *MIB.get(name, (NO_SUCH_INSTANCE, b"")))


def listed(rows: list[tuple[bytes, int, bytes]]) -> bytes:
    return tlv(SEQUENCE, b"".join(tlv(SEQUENCE, tlv(OBJECT_ID, oid) + tlv(tag, content)) for oid, tag, content in rows))


def response(request_id: int, varbinds: bytes) -> bytes:
    body = integer(request_id) + integer(0) + integer(0) + varbinds
    return tlv(SEQUENCE, integer(1) + tlv(OCTET_STRING, b"public") + tlv(RESPONSE, body))


def serve(hosts: list[str], pipe: Connection) -> None:
    """The agent's process: one socket for every printer, all on one port."""
    os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})
    known: dict[bytes, bytes] = {}

    async def run() -> None:
        loop = asyncio.get_running_loop()
        port = 0
        for host in hosts:
            listening = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2**20)
            listening.settimeout(0)
            listening.bind((host, port))
            port = listening.getsockname()[1]
            loop.add_reader(listening, drain, listening)
        pipe.send(port)
        await asyncio.Event().wait()

    def drain(listening: socket.socket) -> None:
        while True:
            try:
                data, source = listening.recvfrom(4096)
            except BlockingIOError:
                return
            tag = GET if data[data.index(b"public") + 6] == GET else GET_NEXT
            head = read_head(data, tag)
            asked = bytes((tag,)) + data[head.body :]
            if asked not in known:
                known[asked] = listed([found(tag, name) for name in names_in(data, head)])
            listening.sendto(response(head.request_id, known[asked]), source)

    asyncio.run(run())


Read = Callable[[int], Awaitable[bool]]


async def rate(read: Read, in_flight: int, seconds: float) -> tuple[float, int]:
    """Reads for each processor second of this process, and how many failed."""
    done = failed = 0
    until = time.monotonic() + seconds

    async def work(number: int) -> None:
        nonlocal done, failed
        while time.monotonic() < until:
            if await read(number):
                done += 1
            else:
                failed += 1

    begun = time.process_time()
    await asyncio.gather(*(work(number) for number in range(in_flight)))
    return done / (time.process_time() - begun), failed


async def pysnmp_read(hosts: list[str], port: int, who: Callable[[Any], Any] | None = None) -> Read:
    """``who`` makes pysnmp's credentials from its module; v2c and "public" without."""
    from pysnmp.hlapi import v3arch  # noqa: PLC0415 - slow to load, and only one side's

    engine = v3arch.SnmpEngine()
    credentials = v3arch.CommunityData("public", mpModel=1) if who is None else who(v3arch)
    targets = [await v3arch.UdpTransportTarget.create((host, port), timeout=5, retries=0) for host in hosts]
    context, names = v3arch.ContextData(), [oid_label(name) for name in PINS.names]

    async def read(number: int) -> bool:
        objects = [v3arch.ObjectType(v3arch.ObjectIdentity(name)) for name in names]
        result: Any = await v3arch.get_cmd(engine, credentials, targets[number], context, *objects)
        problem, status, _, rows = result
        return not problem and not status and int(rows[3][1]) == COUNT

    return read


def our_reads(meter: SnmpMeter, targets: list[MeterTarget]) -> Read:
    async def read(number: int) -> bool:
        result = await meter.read(targets[number], 5.0)
        if not isinstance(result, Reading):
            return False
        count = result.sight.count("total")
        return count is not None and count.value == COUNT

    return read


@dataclass(frozen=True)
class Side:
    """One of those compared: reads for some seconds; how many for each processor second, and how many failed."""

    name: str
    reads: Callable[[float], Awaitable[tuple[float, int]]]


def side(name: str, read: Read, in_flight: int) -> Side:
    return Side(name, partial(rate, read, in_flight))


@contextmanager
def c_side(port: int, options: argparse.Namespace, version: str = "2c") -> Iterator[list[Side]]:
    """net-snmp's C API, compiled here; none where that can't be."""
    with tempfile.TemporaryDirectory() as folder:
        program = Path(folder, "net_snmp_reads")
        command = ["gcc", "-O2", "-o", str(program), str(C_READS), "-lnetsnmp"]
        if shutil.which("gcc") is None or subprocess.run(command, capture_output=True, check=False).returncode:
            print("without the C API: it takes gcc and libsnmp-dev")
            yield []
            return
        names = [oid_label(name) for name in PINS.names]

        async def reads(seconds: float) -> tuple[float, int]:
            words = [str(program), str(port), str(seconds), version, str(options.in_flight), *names]
            done = await asyncio.to_thread(subprocess.run, words, capture_output=True, check=True, text=True)
            answered, failed, processor_s = done.stdout.split()
            return int(answered) / float(processor_s), int(failed)

        yield [Side("C API", reads)]


Round = dict[str, float]


async def rounds_of(sides: Sequence[Side], options: argparse.Namespace) -> list[Round]:
    """All sides in turn, after a warm-up of each: reads for each processor second."""
    for one in sides:
        await one.reads(0.5)
    rounds = []
    for number in range(options.rounds):
        told, rates = [], {}
        for one in sides:
            rates[one.name], failed = await one.reads(options.seconds)
            told.append(f"{one.name} {rates[one.name]:9,.0f} ({failed} failed)")
        rounds.append(rates)
        print(f"round {number + 1}, reads/CPU-s: {', '.join(told)}", flush=True)
    return rounds


async def compare(hosts: list[str], port: int, options: argparse.Namespace) -> list[Round]:
    meter = SnmpMeter.of(SystemClock(), SystemEntropy())
    targets = [MeterTarget(printer=host, host=host, port=port) for host in hosts]
    with c_side(port, options) as c_sides:
        ours = side(OURS, our_reads(meter, targets), options.in_flight)
        theirs = side("pysnmp", await pysnmp_read(hosts, port), options.in_flight)
        rounds = await rounds_of([ours, theirs, *c_sides], options)
    endpoint, stats = meter.endpoint, meter.stats
    print(
        f"kernel drops {endpoint.kernel_drops}, buffer {endpoint.receive_buffer_bytes:,} bytes, retries {stats.retries}"
    )
    await meter.close()
    return rounds


def parsed(text: str | None) -> tuple[argparse.Namespace, list[str]]:
    """The options, and an address for each printer in flight."""
    parser = argparse.ArgumentParser(description=text.splitlines()[0] if text else "")
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--seconds", type=float, default=1.5)
    parser.add_argument("--in-flight", type=int, default=50)
    parser.add_argument("--uvloop", action="store_true")
    options = parser.parse_args()
    hosts = [f"127.0.1.{number + 1}" for number in range(min(options.in_flight, 250))]
    options.in_flight = len(hosts)
    return options, hosts


TARGETS: Final = {"asyncio": 30.0, "uvloop": 60.0}
"""At least so many times as fast as pysnmp, by loop."""
C_SHARE_MAX: Final = 2.5

Compare = Callable[[list[str], int, argparse.Namespace], Coroutine[Any, Any, list[Round]]]


def run_both(
    text: str | None,
    agents: Callable[[list[str], Connection], None],
    compared: Compare,
    targets: Mapping[str, float] = TARGETS,
    c_share_max: float = C_SHARE_MAX,
) -> int:
    """Start the agents in a process and on a processor of their own, compare the sides on another, print the table."""
    options, hosts = parsed(text)
    here, there = multiprocessing.Pipe()
    agent = multiprocessing.get_context("spawn").Process(target=agents, args=(hosts, there), daemon=True)
    agent.start()
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    factory = None
    if options.uvloop:
        import uvloop  # noqa: PLC0415 - optional

        factory = uvloop.new_event_loop
    try:
        with asyncio.Runner(loop_factory=factory) as runner:
            rounds = runner.run(compared(hosts, here.recv(), options))
    finally:
        agent.terminate()
        agent.join()
    loop = "uvloop" if options.uvloop else "asyncio"
    print_table(rounds, loop, options.in_flight)
    return report(figures_of(rounds, f"{(text or '').split(' ')[0]} reads, {loop}", targets[loop], c_share_max))


def figures_of(rounds: Sequence[Round], what: str, pysnmp_least: float, c_share_max: float) -> list[Figure]:
    """Reads for each processor second against pysnmp's; processor time of a read against the C API's."""
    ratios = {name: statistics.median(rates[OURS] / rates[name] for rates in rounds) for name in rounds[0]}
    figures = [Figure(what, ratios["pysnmp"], "pysnmp's", at_least=pysnmp_least)]
    if "C API" in ratios:
        figures.append(Figure(f"processor time of {what}", 1 / ratios["C API"], "the C API's", at_most=c_share_max))
    return figures


def print_table(rounds: Sequence[Round], loop: str, in_flight: int) -> None:
    """Medians of the rounds; a ratio is the median of the rounds' ratios."""
    print(f"\n| {loop}, {in_flight} in flight | reads/CPU-s | us a read | ours is so many times as fast |")
    print("| --- | --- | --- | --- |")
    for name in rounds[0]:
        reads = statistics.median(rates[name] for rates in rounds)
        ratio = statistics.median(rates[OURS] / rates[name] for rates in rounds)
        print(f"| {name} | {reads:,.0f} | {1e6 / reads:,.1f} | **{ratio:.2f}** |")


if __name__ == "__main__":
    raise SystemExit(run_both(__doc__, serve, compare))
