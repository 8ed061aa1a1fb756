"""A printer that answers IPP as none should, beside one that works: what the one does costs the other nothing."""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager, suppress

import pytest
import uvloop

from pagereeve.app.clocks import SystemEntropy
from pagereeve.domain.facts.reading import Failure, Reading, SilenceReason
from pagereeve.meters.doors import MeterDoors
from pagereeve.ports.meter import MeterTarget
from tests.integration.ipp_peers import server
from tests.integration.ipp_printer import IppPrinter
from tests.snmp_agents import MachineClock

# More than a pool of connections usually has.
SILENT = 60
COOKIE = b"HTTP/1.1 200 OK\r\nSet-Cookie: \xff\xfe=;;;=\r\nContent-Length: 0\r\nConnection: close\r\n\r\n"


@asynccontextmanager
async def answering(data: bytes | None) -> AsyncIterator[int]:
    """A server that sends these octets and ends, or, with None, accepts connections and never says anything."""
    ended = asyncio.Event()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(OSError):
            await reader.read(1)
            if data is None:
                await ended.wait()
            else:
                writer.write(data)
                await writer.drain()
        writer.close()

    listening = await asyncio.start_server(serve, "127.0.0.1", 0, backlog=4 * SILENT)
    try:
        yield int(listening.sockets[0].getsockname()[1])
    finally:
        ended.set()
        listening.close()
        await asyncio.sleep(0.01)


def target(name: str, port: int, host: str = "127.0.0.1") -> MeterTarget:
    return MeterTarget(name, host, ipp_port=port, meter="ipp")


def on_users_loop(played: Callable[[MeterDoors, int], Awaitable[None]]) -> None:
    """``played`` gets the meters, and the port of a printer that works."""

    async def whole() -> None:
        meter = MeterDoors.of(MachineClock(), SystemEntropy())
        try:
            async with server(IppPrinter()) as port:
                await played(meter, port)
        finally:
            await meter.close()

    uvloop.run(whole())


def test_a_cookie_of_one_printer_is_not_sent_to_another_at_the_same_gateway() -> None:
    async def played(meter: MeterDoors, port: int) -> None:
        async with answering(COOKIE) as bad:
            for _ in range(2):
                result = await meter.read(target("bad", bad), 2)
                assert isinstance(result, Failure)
                assert result.reason is SilenceReason.MALFORMED
            assert isinstance(await meter.read(target("good", port), 2), Reading)

    on_users_loop(played)


def test_printers_that_never_answer_leave_a_connection_for_one_that_does() -> None:
    async def played(meter: MeterDoors, port: int) -> None:
        async with answering(None) as silent:
            reads = [asyncio.create_task(meter.read(target(f"silent-{one}", silent), 2)) for one in range(SILENT)]
            await asyncio.sleep(0.2)
            assert isinstance(await meter.read(target("good", port), 1), Reading)
            assert {one.reason for one in await asyncio.gather(*reads) if isinstance(one, Failure)} == {
                SilenceReason.TIMEOUT
            }

    on_users_loop(played)


@pytest.mark.parametrize("host", ["a..b", f"{'x' * 64}.invalid", "x" * 300])
def test_a_host_that_is_no_name_is_a_failure_and_no_exception(host: str) -> None:
    async def played(meter: MeterDoors, port: int) -> None:
        result = await meter.read(target("bad", port, host), 2)
        assert isinstance(result, Failure)
        assert result.reason is SilenceReason.NAME_NOT_FOUND

    on_users_loop(played)


@pytest.mark.parametrize("location", ["mailto:a", "http://[bad", "http://a:999999/", "http://xn--\xff..a/", ""])
def test_a_redirect_is_neither_followed_nor_raised(location: str) -> None:
    async def played(meter: MeterDoors, port: int) -> None:
        head = f"HTTP/1.1 302 Found\r\nLocation: {location}\r\nContent-Length: 0\r\n\r\n".encode("latin-1")
        async with answering(head) as bad:
            result = await meter.read(target("bad", bad), 2)
            assert isinstance(result, Failure)
            assert result.reason is SilenceReason.WRONG_RESPONDER
        assert isinstance(await meter.read(target("good", port), 2), Reading)

    on_users_loop(played)


@contextmanager
def flooding(head: bytes, again: bytes) -> Iterator[int]:
    """A server of its own thread that sends ``again`` without an end."""

    def serve(connection: socket.socket) -> None:
        with connection, suppress(OSError):
            connection.recv(1)
            connection.sendall(head)
            while True:
                connection.sendall(again)

    def accept() -> None:
        with suppress(OSError):
            while True:
                threading.Thread(target=serve, args=(listening.accept()[0],), daemon=True).start()

    with socket.create_server(("127.0.0.1", 0)) as listening:
        threading.Thread(target=accept, daemon=True).start()
        try:
            yield int(listening.getsockname()[1])
        finally:
            # Closing alone wakes nobody who accepts.
            listening.shutdown(socket.SHUT_RDWR)


@pytest.mark.alone
@pytest.mark.parametrize(
    ("head", "again"),
    [
        (b"", b"HTTP/1.1 100 Continue\r\n\r\n" * 500),
        (b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n", b"1\r\nX\r\n" * 2_000),
        (b"HTTP/1.1 200 OK\r\n", b"X-A: b\r\n" * 1_000),
        (b"HTTP/1.1 200 OK\r\n\r\n", b"X" * 60_000),
    ],
    ids=["interim answers", "tiny pieces", "headers", "body"],
)
def test_an_answer_without_an_end_is_cut_off_and_the_neighbours_are_read_meanwhile(head: bytes, again: bytes) -> None:
    async def played(meter: MeterDoors, port: int) -> None:
        with flooding(head, again) as bad:
            reads = [asyncio.create_task(meter.read(target(f"bad-{one}", bad), 20)) for one in range(3)]
            while not all(one.done() for one in reads):
                assert isinstance(await meter.read(target("good", port), 3), Reading)
            ended = await asyncio.gather(*reads)
        assert {one.reason for one in ended if isinstance(one, Failure)} == {SilenceReason.MALFORMED}

    on_users_loop(played)
