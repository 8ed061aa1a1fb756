"""What comes before a body, against the HTTP endpoint: each attack ends within its limits, and is counted."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import json
import socket
import time
from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import httpx2
import pytest

from pagereeve.feeds.admission import ConnectionLimits
from pagereeve.feeds.http.endpoint import EventsEndpoint, HttpLimits
from pagereeve.feeds.http.protocol import BoundedProtocol, WireLimits
from pagereeve.feeds.http.quotas import QuotaLimits
from pagereeve.feeds.http.server import HttpServer
from pagereeve.feeds.testing import LoopClock, MemoryIntake
from tests.credentials import bearer, callers_of, credential

pytestmark = pytest.mark.alone

WIRE = WireLimits(head_max_bytes=8_192, headers_max=40, head_s=0.6, body_s=0.8, idle_s=0.6, unread_s=0.6)
ROOMY = ConnectionLimits()
HEAD = b"POST /v1/events HTTP/1.1\r\nHost: reeve\r\nContent-Type: application/cloudevents+json\r\n"
DATA = {"release": "r-1", "outcome": "completed", "pages_sent": 3}
LONGEST_S = 10.0
AUTHORIZED = f"Authorization: {bearer('right')}\r\n".encode()
Peer = tuple[asyncio.StreamReader, asyncio.StreamWriter]


def event(number: int) -> bytes:
    kind = "pagereeve.release.ended.v1"
    return json.dumps(
        {"specversion": "1.0", "id": f"e-{number}", "source": "/release", "type": kind, "data": DATA}
    ).encode()


def request(number: int, more: bytes = b"") -> bytes:
    body = event(number)
    return HEAD + more + b"Content-Length: %d\r\n\r\n" % len(body) + body


@dataclass
class Site:
    """The endpoint, and what it counted."""

    endpoint: EventsEndpoint
    intake: MemoryIntake
    server: HttpServer
    errors: list[Exception] = field(default_factory=list)

    async def connect(self, source: str = "127.0.0.1") -> Peer:
        host, port = self.server.address
        return await asyncio.open_connection(host, port, local_addr=(source, 0))

    @property
    def refused(self) -> Mapping[str, int]:
        return {str(reason): count for reason, count in self.endpoint.stats.refused.items()}

    @property
    def turned_away(self) -> Mapping[str, int]:
        return {str(reason): count for reason, count in self.endpoint.stats.connections_refused.items()}

    async def serves(self) -> None:
        host, port = self.server.address
        async with httpx2.AsyncClient() as client:
            headers = {"content-type": "application/cloudevents+json"}
            answer = await client.post(f"http://{host}:{port}/v1/events", content=event(0), headers=headers)
        assert answer.status_code == 200


@contextlib.asynccontextmanager
async def site(
    wire: WireLimits = WIRE, connections: ConnectionLimits = ROOMY, limits: HttpLimits | None = None, token: str = ""
) -> AsyncIterator[Site]:
    intake = MemoryIntake()
    callers = callers_of(*([credential(token, "send")] if token else []))
    endpoint = EventsEndpoint(intake, limits or HttpLimits(), clock=LoopClock(), callers=callers)
    errors: list[Exception] = []
    server = HttpServer(endpoint, endpoint.stats, wire=wire, connections=connections, on_error=errors.append)
    await server.open("127.0.0.1", 0)
    task = asyncio.create_task(server.serve())
    try:
        yield Site(endpoint, intake, server, errors)
    finally:
        server.should_exit = True
        await asyncio.wait_for(task, 10)
    assert errors == []


async def flood(peer: Peer, pieces: Callable[[int], bytes], count: int, pause_s: float = 0.0) -> tuple[bytes, int]:
    """Send until the endpoint ends it; what it answered, and how many bytes were sent before."""
    reader, writer = peer
    answer = bytearray()
    reading = asyncio.create_task(_collect(reader, answer))
    sent = 0
    with contextlib.suppress(OSError):
        for number in range(count):
            if reading.done():
                break
            piece = pieces(number)
            writer.write(piece)
            await writer.drain()
            sent += len(piece)
            await asyncio.sleep(pause_s)
    await asyncio.wait_for(reading, LONGEST_S)
    writer.transport.abort()
    return bytes(answer), sent


async def _collect(reader: asyncio.StreamReader, answer: bytearray) -> None:
    with contextlib.suppress(OSError):
        while piece := await reader.read(65_536):
            answer += piece


def a_chunk(_: int) -> bytes:
    return b"x" * 65_536


@pytest.mark.parametrize(
    ("start", "piece"),
    [
        (b"POST /v1/events?", a_chunk),
        (HEAD + b"X: ", a_chunk),
        (HEAD, a_chunk),
        (HEAD, lambda number: b"".join(b"X-%d-%d: 1\r\n" % (number, one) for one in range(2_000))),
        (b"", lambda _: b"\r\n" * 30_000),
        (HEAD + b"Transfer-Encoding: chunked\r\n\r\n1;", a_chunk),
        (HEAD + b"Transfer-Encoding: chunked\r\n\r\n1;a=", lambda _: b'"' + b"x" * 60_000 + b'";b='),
        (HEAD + b"Transfer-Encoding: chunked\r\n\r\n1\r\nx\r\n0\r\nX: ", a_chunk),
        (HEAD + b"Transfer-Encoding: chunked\r\n\r\n0\r\n", lambda _: b"X: 1\r\n" * 10_000),
    ],
    ids=[
        "request line",
        "header value",
        "header name",
        "header lines",
        "empty lines",
        "chunk extension",
        "chunk extensions",
        "trailer",
        "trailers",
    ],
)
async def test_what_never_ends_ends_after_a_few_kilobytes(start: bytes, piece: Callable[[int], bytes]) -> None:
    async with site() as served:
        begun = time.perf_counter()
        peer = await served.connect()
        answer, sent = await flood(peer, lambda number: piece(number) if number else start, count=2_000)
        assert time.perf_counter() - begun < LONGEST_S / 2
        assert sent < 30 * 2**20
        assert answer[:12] in {b"HTTP/1.1 431", b"HTTP/1.1 400", b""}
        assert sum(served.refused.get(reason, 0) for reason in ("head-too-large", "bad-http")) == 1
        await served.serves()


async def test_a_head_that_is_too_large_is_told_so_with_what_to_do() -> None:
    async with site() as served:
        answer, _ = await flood(await served.connect(), lambda _: HEAD + b"X: " + b"y" * 9_000, count=1)
    head, _, body = answer.partition(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 431 ")
    problem = json.loads(body)
    assert problem["type"] == "urn:pagereeve:problem:head-too-large"
    assert problem["where"] == "request line and header lines"
    assert "8192 bytes" in problem["detail"]
    assert served.refused == {"head-too-large": 1}


@pytest.mark.parametrize(
    ("sent", "rest", "problem"),
    [
        (b"POST /", b"x", b"HTTP/1.1 408"),
        (HEAD, b"X", b"HTTP/1.1 408"),
        (HEAD + b"Content-Length: 900\r\n\r\n{", b" ", b"HTTP/1.1 408"),
    ],
    ids=["request line", "header", "body"],
)
async def test_what_comes_byte_by_byte_is_ended_in_time(sent: bytes, rest: bytes, problem: bytes) -> None:
    async with site(limits=HttpLimits(read_s=0.5)) as served:
        answer, _ = await flood(await served.connect(), lambda n: rest if n else sent + rest, 300, pause_s=0.05)
        assert answer.startswith(problem)
        assert served.refused == {"too-slow": 1}
        await served.serves()


async def test_a_body_that_nobody_reads_is_ended_in_time_and_by_its_size() -> None:
    """What is answered before its body came (here 405) leaves the server with the rest of it."""
    async with site() as served:
        head = b"GET /healthz HTTP/1.1\r\nHost: reeve\r\nContent-Length: 900000000\r\n\r\n"
        _, sent = await flood(await served.connect(), lambda n: a_chunk(n) if n else head, 2_000)
        assert sent < 30 * 2**20
        await served.serves()


async def test_silent_connections_end_and_are_counted() -> None:
    async with site() as served:
        peers = [await served.connect() for _ in range(40)]
        async with asyncio.timeout(LONGEST_S):
            assert [await reader.read() for reader, _ in peers] == [b""] * 40
        assert served.turned_away == {"silent": 40}
        assert served.endpoint.stats.connections_open == 0
        for _, writer in peers:
            writer.close()
        await served.serves()


async def test_a_resting_connection_is_closed_without_a_word_about_it() -> None:
    async with site() as served:
        reader, writer = await served.connect()
        writer.write(request(1))
        async with asyncio.timeout(LONGEST_S):
            answer = await reader.read()
        assert answer.startswith(b"HTTP/1.1 200")
        writer.close()
        assert (served.turned_away, served.refused) == ({}, {})


async def test_an_answer_that_is_left_unread_is_dropped() -> None:
    """The answers of many requests fill the sockets' buffers and then ours."""
    batch = b"[" + b",".join(event(number) for number in range(300)) + b"]"
    head = b"POST / HTTP/1.1\r\nHost: reeve\r\nContent-Type: application/cloudevents-batch+json\r\n"
    whole = head + b"Content-Length: %d\r\n\r\n" % len(batch) + batch
    quotas = QuotaLimits(requests_per_s=1e6, requests_burst=1e9)
    async with site(limits=HttpLimits(quotas=quotas)) as served:
        with socket.socket() as deaf:
            deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4_096)
            deaf.settimeout(0)
            loop = asyncio.get_running_loop()
            await loop.sock_connect(deaf, served.server.address)
            with contextlib.suppress(OSError):
                async with asyncio.timeout(2 * LONGEST_S):
                    while not served.turned_away:
                        await loop.sock_sendall(deaf, whole)
        assert (served.turned_away, served.refused) == ({"slow-reader": 1}, {})
        await served.serves()


async def test_strangers_displace_strangers_and_a_sender_keeps_its_connection() -> None:
    limits = ConnectionLimits(connections_max=20, peer_max=16, strangers_max=8)
    async with site(connections=limits, token="right") as served:
        reader, writer = await served.connect()
        writer.write(request(1, AUTHORIZED))
        assert (await reader.readuntil(b"\r\n\r\n")).startswith(b"HTTP/1.1 200")
        silent = [await served.connect(f"127.0.0.{10 + number % 4}") for number in range(80)]
        await asyncio.sleep(0.1)
        assert served.endpoint.stats.connections_open <= 20
        assert sum(served.turned_away.values()) >= 60
        lone = await served.connect("127.0.0.20")
        await asyncio.sleep(0.1)
        assert served.turned_away["displaced"] >= 1
        writer.write(request(2, AUTHORIZED))
        await reader.readuntil(b"}")
        assert (await reader.readuntil(b"\r\n\r\n")).startswith(b"HTTP/1.1 200")
        lone[1].write(request(3, AUTHORIZED))
        assert (await lone[0].readuntil(b"\r\n\r\n")).startswith(b"HTTP/1.1 200")
        for _, peer in [*silent, lone, (reader, writer)]:
            peer.transport.abort()


async def test_one_address_has_its_share_and_another_still_enters() -> None:
    limits = ConnectionLimits(connections_max=20, peer_max=5, strangers_max=5)
    async with site(connections=limits) as served:
        peers = [await served.connect("127.0.0.9") for _ in range(5)]
        for number, (reader, writer) in enumerate(peers):
            writer.write(request(number))
            await reader.readuntil(b"\r\n\r\n")
        reader, sixth = await served.connect("127.0.0.9")
        with contextlib.suppress(OSError):
            assert await reader.read() == b""
        assert served.turned_away == {"peer-full": 1}
        await served.serves()
        for _, writer in [*peers, (reader, sixth)]:
            writer.transport.abort()


async def test_churn_from_one_address_is_bounded_by_rate() -> None:
    limits = ConnectionLimits(opens_per_s=5.0, opens_burst=20.0)
    async with site(connections=limits) as served:
        for _ in range(200):
            _, writer = await served.connect("127.0.0.9")
            writer.transport.abort()
        await asyncio.sleep(0.1)
        assert served.turned_away["peer-rate"] > 100
        assert served.endpoint.stats.connections < 100
        await served.serves()


async def test_pipelined_requests_are_answered_in_order_and_no_more_than_a_few_wait() -> None:
    async with site() as served:
        reader, writer = await served.connect()
        writer.write(b"".join(request(number) for number in range(6)))
        answers = [await _answer(reader) for _ in range(6)]
        assert [status for status, _ in answers] == [200] * 6
        await flood((reader, writer), lambda n: b"".join(request(1_000 * n + one) for one in range(1_000)), 50)
        assert served.refused == {"too-many-requests": 1}
        assert len(served.intake.envelopes) < 5_000
        await served.serves()


async def _answer(reader: asyncio.StreamReader) -> tuple[int, Any]:
    head = await reader.readuntil(b"\r\n\r\n")
    length = next(line for line in head.lower().split(b"\r\n") if line.startswith(b"content-length"))
    return int(head[9:12]), json.loads(await reader.readexactly(int(length.split(b":")[1])))


async def test_many_small_chunks_and_trailers_within_the_limits_are_served() -> None:
    body = b"".join(b"1\r\n%c\r\n" % byte for byte in event(7) + b" " * 20_000)
    async with site() as served:
        reader, writer = await served.connect()
        writer.write(HEAD + b"Transfer-Encoding: chunked\r\n\r\n" + body + b"0\r\nX-Sum: 1\r\n\r\n")
        assert await _answer(reader) == (200, {"outcome": "stored"})
        writer.write(request(8))
        assert await _answer(reader) == (200, {"outcome": "stored"})
        writer.close()


async def test_a_request_for_another_protocol_is_answered_as_if_it_had_not_asked() -> None:
    """RFC 9110 section 7.8: a server may ignore Upgrade."""
    async with site() as served:
        reader, writer = await served.connect()
        writer.write(b"PUT /v1/events HTTP/1.1\r\nHost: reeve\r\nConnection: Upgrade\r\nUpgrade: h2c\r\n\r\n")
        assert (await _answer(reader))[0] == 405
        writer.close()


@pytest.mark.parametrize(
    "payload",
    [
        request(1),
        request(2, b"Authorization: Bearer right\r\nConnection: close\r\n"),
        b"\x00\r\n\r\n",
        HEAD + b"X: " + b"y" * 20_000,
        b"",
    ],
    ids=["unauthorized", "served", "no HTTP", "head too large", "hung up"],
)
async def test_a_connection_that_is_over_leaves_nothing_for_the_collector_of_cycles(payload: bytes) -> None:
    """Thousands a second would: looking through what they leave would stop the loop for hundreds of milliseconds."""

    async def once() -> None:
        reader, writer = await served.connect()
        writer.write(payload)
        if payload:
            with contextlib.suppress(OSError):
                await reader.read()
        writer.transport.abort()

    def protocols() -> int:
        return sum(isinstance(one, BoundedProtocol) for one in gc.get_objects())

    async with site(token="right") as served:
        await once()
        gc.collect()
        gc.disable()
        try:
            for _ in range(20):
                await once()
            await asyncio.sleep(0.2)
            assert protocols() == 0
        finally:
            gc.enable()
