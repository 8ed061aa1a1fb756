"""The HTTP door behind a real server on a free port of loopback."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator
from typing import Any

import httpx2
import pytest
import uvicorn

from pagereeve.feeds.http.endpoint import EventsEndpoint, HttpLimits
from pagereeve.feeds.testing import LoopClock, MemoryIntake

STRUCTURED = {"content-type": "application/cloudevents+json"}
DATA = {"release": "r-1", "outcome": "completed", "pages_sent": 3}


def event(number: int) -> dict[str, Any]:
    kind = "pagereeve.release.ended.v1"
    return {"specversion": "1.0", "id": f"e-{number}", "source": "/release", "type": kind, "data": DATA}


class Server(uvicorn.Server):
    """A server that leaves the process's signals alone."""

    @contextlib.contextmanager
    def capture_signals(self) -> Any:
        yield


@contextlib.asynccontextmanager
async def serving(endpoint: EventsEndpoint, http: str) -> AsyncIterator[int]:
    config = uvicorn.Config(endpoint, port=0, http=http, lifespan="off", log_level="critical", access_log=False)
    server = Server(config)
    task = asyncio.create_task(server.serve())
    while not server.started:  # noqa: ASYNC110 - the server has a flag and no event
        await asyncio.sleep(0.01)
    try:
        yield server.servers[0].sockets[0].getsockname()[1]
    finally:
        server.should_exit = True
        await asyncio.wait_for(task, 5)


@pytest.mark.parametrize("http", ["httptools", "h11"])
async def test_many_senders_at_once_are_each_answered(http: str) -> None:
    intake = MemoryIntake()
    endpoint = EventsEndpoint(intake, clock=LoopClock())
    async with serving(endpoint, http) as port, httpx2.AsyncClient(base_url=f"http://127.0.0.1:{port}") as client:
        answers = await asyncio.gather(
            *(client.post("/v1/events", json=event(number % 100), headers=STRUCTURED) for number in range(200))
        )
    assert sorted(answer.json()["outcome"] for answer in answers) == ["duplicate"] * 100 + ["stored"] * 100
    assert len(intake.envelopes) == 100
    assert (endpoint.stats.requests_open, endpoint.stats.answers) == (0, 200)


@pytest.mark.parametrize("http", ["httptools", "h11"])
async def test_a_connection_survives_refusals_and_is_closed_where_a_body_is_left_over(http: str) -> None:
    endpoint = EventsEndpoint(MemoryIntake(), HttpLimits(body_max_bytes=2000), clock=LoopClock())
    head = b"POST /v1/events HTTP/1.1\r\nHost: door\r\nContent-Type: application/cloudevents+json\r\n"
    good = json.dumps(event(1)).encode()
    async with serving(endpoint, http) as port:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        for body, status in ((b"{", b"400"), (b'{"a": NaN}', b"400"), (good, b"200")):
            writer.write(head + b"Content-Length: %d\r\n\r\n" % len(body) + body)
            answer = await _answer(reader)
            assert answer.startswith(b"HTTP/1.1 " + status)
        writer.write(head + b"Content-Length: 999999999\r\n\r\n" + b"x" * 100)
        assert (await _answer(reader)).startswith(b"HTTP/1.1 413")
        assert await reader.read() == b""
        writer.close()
        await writer.wait_closed()


async def _answer(reader: asyncio.StreamReader) -> bytes:
    head = await reader.readuntil(b"\r\n\r\n")
    length = next(line for line in head.lower().split(b"\r\n") if line.startswith(b"content-length"))
    return head + await reader.readexactly(int(length.split(b":")[1]))


async def test_a_slow_gated_release_holds_up_nobody_else() -> None:
    intake = MemoryIntake()
    release = asyncio.Event()
    waiting = iter([True])

    async def first_waits() -> None:
        if next(waiting, False):
            await release.wait()

    intake.before = first_waits
    endpoint = EventsEndpoint(intake, clock=LoopClock())
    async with (
        serving(endpoint, "httptools") as port,
        httpx2.AsyncClient(base_url=f"http://127.0.0.1:{port}") as client,
    ):
        gated = asyncio.create_task(client.post("/", json=event(1), headers=STRUCTURED | {"prefer": "wait=20"}))
        while not endpoint.stats.requests_open:  # noqa: ASYNC110 - a counter has no event
            await asyncio.sleep(0.01)
        other = await asyncio.wait_for(client.post("/", json=event(2), headers=STRUCTURED), 2)
        assert other.json() == {"outcome": "stored"}
        assert not gated.done()
        release.set()
        answer = await gated
    assert answer.json() == {"outcome": "stored", "reading": "in-hand"}
    assert answer.headers["preference-applied"] == "wait=20"
