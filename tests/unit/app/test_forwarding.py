"""A client that reads nothing of its answer costs the daemon a connection for a while, and no longer."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any, cast

import httpx2
import pytest

from pagereeve.app.questions import forwarding
from pagereeve.app.questions.forwarding import QuestionForwarder
from pagereeve.app.questions.process import QueryProcess
from pagereeve.domain.credentials.callers import Caller
from pagereeve.feeds.http.answers import READER


class _Running:
    async def require(self) -> None:
        pass


class _Forwarder(QuestionForwarder):
    def __init__(self) -> None:
        super().__init__(cast("QueryProcess", _Running()), lambda: 0)
        self.closed = False

    @asynccontextmanager
    async def _asked(self, scope: Any) -> AsyncIterator[httpx2.Response]:
        async def parts() -> AsyncIterator[bytes]:
            for _ in range(100):
                yield b"x" * 1_000

        try:
            yield httpx2.Response(200, content=parts())
        finally:
            self.closed = True


async def test_a_client_that_takes_nothing_is_cut_off(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(forwarding, "SILENT_S", 0.05)
    forwarder, sent = _Forwarder(), []

    async def receive() -> Any:
        await asyncio.Event().wait()

    async def send(message: Any) -> None:
        sent.append(message)
        if len(sent) == 4:
            await asyncio.Event().wait()

    scope = {"type": "http", "method": "GET", "path": "/v1/exports/day", "query_string": b"", "headers": []}
    await asyncio.wait_for(forwarder(scope, receive, send), 5)
    assert [one.get("more_body") for one in sent] == [None, True, True, True]
    assert forwarder.closed


class _InParts(QuestionForwarder):
    """Its query process sends a page's frame, and the answer once it is let."""

    def __init__(self) -> None:
        super().__init__(cast("QueryProcess", _Running()), lambda: 0)
        self.let = asyncio.Event()
        self.asked: list[httpx2.Request] = []

    async def _first(self, request: httpx2.Request) -> httpx2.Response:
        async def parts() -> AsyncIterator[bytes]:
            yield b"frame"
            await self.let.wait()
            yield b"answer"

        self.asked.append(request)
        return httpx2.Response(200, headers={"x-accel-buffering": "no"}, content=parts())


async def test_a_frame_is_passed_on_before_its_answer_is_there() -> None:
    forwarder, sent, came = _InParts(), list[Any](), asyncio.Event()

    async def receive() -> Any:
        await asyncio.Event().wait()

    async def send(message: Any) -> None:
        sent.append(message)
        if message.get("body"):
            came.set()

    headers = [(b"hx-request", b"true"), (b"cookie", b"a secret")]
    caller = Caller("on-call", frozenset({"read"}))
    scope = {"type": "http", "method": "GET", "path": "/now", "query_string": b"", "headers": headers, READER: caller}
    async with asyncio.timeout(5):
        answering = asyncio.create_task(forwarder(scope, receive, send))
        await came.wait()
        assert [one.get("body") for one in sent] == [None, b"frame"]
        assert (b"x-accel-buffering", b"no") in sent[0]["headers"]
        forwarder.let.set()
        await answering
    assert [one.get("body") for one in sent] == [None, b"frame", b"answer", b""]
    [request] = forwarder.asked
    assert request.headers["hx-request"] == "true"
    assert "cookie" not in request.headers
