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
