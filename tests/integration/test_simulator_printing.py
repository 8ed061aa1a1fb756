"""Print data over real TCP: through a gateway, into a print port, onto the meter."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from functools import partial
from typing import cast

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.simulator.printer.model import PrinterSpec, PrintJob
from pagereeve.simulator.printer.print_engine import PrintEngine
from pagereeve.simulator.printer.print_port import PrintPort
from pagereeve.simulator.site.badge_lines import BadgeSender, LineFormat
from pagereeve.simulator.site.gateway import Gateway
from pagereeve.simulator.site.relays import PrintRelay, SnmpRelay
from pagereeve.simulator.site.sending import send_job

FAST = PrinterSpec("p", start_count=0, impressions_per_minute=60_000, first_sheet_us=1_000, warm_up_us=1_000)


async def until(true: Callable[[], bool], within_s: float = 5.0) -> None:
    async with asyncio.timeout(within_s):
        while not true():  # noqa: ASYNC110 - what is awaited is a figure in virtual time, which tells nobody
            await asyncio.sleep(0.005)


class Printer:
    """An engine and its print port behind a relay."""

    def __init__(self, spec: PrinterSpec) -> None:
        self.clock = SystemClock()
        self.engine = PrintEngine(spec, seed=1, at_us=self.clock.now_us())
        self.port = PrintPort(self.engine, self.clock)

    def count(self) -> int:
        return self.engine.meter(self.clock.now_us())

    def idle(self) -> bool:
        return not self.engine.busy(self.clock.now_us())


@asynccontextmanager
async def standing(spec: PrinterSpec = FAST) -> AsyncIterator[tuple[Printer, PrintRelay]]:
    printer = Printer(spec)
    await printer.port.start()
    relay = PrintRelay(printer.port.address, printer.clock)
    await relay.start("127.0.0.1")
    try:
        yield printer, relay
    finally:
        await relay.stop()
        await printer.port.stop()


async def test_a_job_through_the_gateway_moves_the_meter() -> None:
    async with standing() as (printer, relay):
        job = PrintJob("j", 6, copies=2, sides="two-sided-long-edge", separator_sheets=1, size_bytes=300_000)
        assert await send_job(relay.address, job) == "completed"
        await until(printer.idle)
        assert printer.count() == 13
        assert printer.engine.total().by_job == {"j": 13}
        assert relay.relayed_bytes > 300_000


async def test_two_jobs_on_one_connection_are_two_jobs() -> None:
    async with standing() as (printer, relay):
        _, writer = await asyncio.open_connection(*relay.address)
        writer.write(b'{"job":"a","pages":1,"size_bytes":3}\nxyz{"job":"b","pages":2}\n')
        writer.write_eof()
        await until(lambda: printer.count() == 3)
        writer.close()
        await writer.wait_closed()
        assert printer.engine.total().by_job == {"a": 1, "b": 2}


@pytest.mark.parametrize(
    "data",
    [
        b"plain text\nof two lines\n",
        b"no line at all",
        b'{"job":"j","pages":"three"}\n',
        b'{"job":"j","pages":1,"colour":"blue"}\n',
        b"\xff\xfe\x00" * 3_000,
        b"[" * 5_000 + b"\n",
    ],
)
async def test_what_is_no_job_prints_as_one_page_of_text(data: bytes) -> None:
    async with standing() as (printer, relay):
        _, writer = await asyncio.open_connection(*relay.address)
        writer.write(data)
        writer.write_eof()
        await until(lambda: printer.count() == 1)
        writer.close()
        await writer.wait_closed()
        assert printer.port.counts.texts == 1
        assert printer.engine.total().by_job == {"text": 1}


async def test_a_full_buffer_makes_the_sender_wait() -> None:
    # 40 sheets at 10 ms, a memory of two sheets' data: it can't have been taken in less than 300 ms.
    spec = PrinterSpec("p", start_count=0, impressions_per_minute=6_000, first_sheet_us=1_000, buffer_bytes=2_000_000)
    async with standing(spec) as (printer, _):
        loop = asyncio.get_running_loop()
        began = loop.time()
        job = PrintJob("j", 40, size_bytes=40_000_000)
        assert await send_job(printer.port.address, job) == "completed"
        assert loop.time() - began > 0.3
        await until(printer.idle)
        assert printer.count() == 40


async def test_a_job_cancelled_midway_prints_what_was_sent() -> None:
    async with standing() as (printer, relay):
        assert await send_job(relay.address, PrintJob("j", 10, size_bytes=1_000_000), share=0.5) == "cancelled"
        await until(lambda: printer.count() == 5 and printer.idle())
        assert printer.port.counts.broken_off == 1


async def test_no_power_or_no_relay_aborts_the_job_and_marks_nothing() -> None:
    async with standing() as (printer, relay):
        relay.down = True
        assert await send_job(relay.address, PrintJob("j", 1, size_bytes=10)) == "aborted"
        relay.down = False
        printer.engine.power_cut(printer.clock.now_us(), 60_000_000)
        assert await send_job(relay.address, PrintJob("j", 1, size_bytes=10)) == "aborted"
        assert printer.engine.truth == []


async def test_a_slow_relay_still_brings_everything() -> None:
    async with standing() as (printer, relay):
        relay.slow_s = 0.01
        assert await send_job(relay.address, PrintJob("j", 4, size_bytes=100_000)) == "completed"
        await until(lambda: printer.count() == 4)


@pytest.mark.parametrize(
    ("line", "sent"),
    [
        (LineFormat(), b"10101010\r\n"),
        (LineFormat(prefix="%", suffix="?", terminator=b"\n"), b"%10101010?\n"),
        (LineFormat(terminator=b"\r", encoding="utf-16-be"), "10101010".encode("utf-16-be") + b"\r"),
    ],
)
async def test_badge_lines_arrive_as_configured_and_after_a_reconnect(line: LineFormat, sent: bytes) -> None:
    taken = bytearray()
    connections: list[asyncio.StreamWriter] = []

    async def take(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        connections.append(writer)
        while chunk := await reader.read(100):
            taken.extend(chunk)
            writer.write(b"thank you\r\n")
        writer.close()

    sender = BadgeSender(SystemClock(), line)
    sender.present("10101010")
    server = await asyncio.start_server(take, "127.0.0.1", 0)
    await sender.point(server.sockets[0].getsockname()[:2])
    await until(lambda: bytes(taken) == sent)
    connections[0].close()
    await until(lambda: len(connections) == 2)
    sender.present("10101010")
    await until(lambda: bytes(taken) == sent * 2)
    await sender.stop()
    await until(lambda: all(writer.is_closing() for writer in connections))
    server.close()
    await server.wait_closed()
    assert (sender.sent, sender.connections, sender.lost) == (2, 2, 0)
    assert line.decode(sent) == "10101010"


async def test_badges_wait_in_bounded_number_for_a_receiver() -> None:
    gateway = Gateway("g", SystemClock())
    await gateway.start()
    for nth in range(100):
        gateway.present(str(nth))
    assert gateway.badges.lost == 36
    await gateway.stop()


async def test_a_relayed_agent_that_was_off_for_a_while_answers_through_the_same_mapping() -> None:
    # On a connected socket the ICMP error for an agent that is off ends libuv's watching (src/unix/poll.c there).
    class Echo(asyncio.DatagramProtocol):
        def connection_made(self, transport: asyncio.BaseTransport) -> None:
            self.transport = cast("asyncio.DatagramTransport", transport)

        def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
            self.transport.sendto(data, addr)

    class Client(asyncio.DatagramProtocol):
        heard = 0

        def has_heard(self, number: int) -> bool:
            return self.heard == number

        def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
            self.heard += 1

    loop = asyncio.get_running_loop()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        agent_address = probe.getsockname()
    relay = SnmpRelay(agent_address, lambda _: None)
    await relay.start("127.0.0.1")
    sender, client = await loop.create_datagram_endpoint(Client, remote_addr=relay.address)
    sender.sendto(b"nobody is there")
    await until(lambda: relay.relayed == 1)
    await asyncio.sleep(0.05)
    echo, _ = await loop.create_datagram_endpoint(Echo, local_addr=agent_address)
    try:
        for number in range(1, 4):
            sender.sendto(b"now there is")
            await until(partial(client.has_heard, number))
    finally:
        echo.close()
        sender.close()
        await relay.stop()
