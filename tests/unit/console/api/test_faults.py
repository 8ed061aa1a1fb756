"""A fault of ours is one line of the log, which names the route and nobody."""

from __future__ import annotations

import asyncio
import logging
import socket
from collections.abc import AsyncIterator

import httpx2
import pytest
import structlog
import uvicorn
from fastapi import FastAPI, Request
from starlette.responses import HTMLResponse, Response, StreamingResponse

from pagereeve.console.api.problems import ApiProblem, handle_problems

PERSON = "user-anise"


def faulty() -> FastAPI:
    app = FastAPI(openapi_url=None)

    @app.get("/v1/statements/{person}")
    async def fails(person: str) -> None:
        raise RuntimeError("an invented fault")

    @app.get("/accounts/{period}/{by}/{name}")
    async def page_fails(period: str, by: str, name: str) -> None:
        raise RuntimeError("an invented fault")

    @app.get("/v1/exports/{person}")
    async def breaks_off(person: str) -> Response:
        async def rows() -> AsyncIterator[bytes]:
            yield b"one\n"
            raise RuntimeError("an invented fault")

        return StreamingResponse(rows(), headers={"content-length": "1000"})

    def page_of(_: Request, problem: ApiProblem) -> Response:
        return HTMLResponse(f"<p>{problem.kind}</p>", 500)

    handle_problems(app, page_of)
    return app


class Served:
    """The application at a server of its own, as the query process has it."""

    def __init__(self) -> None:
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.url = f"http://127.0.0.1:{self._socket.getsockname()[1]}"
        self._server = uvicorn.Server(uvicorn.Config(faulty(), log_config=None, lifespan="off", access_log=False))

    async def __aenter__(self) -> httpx2.AsyncClient:
        self._task = asyncio.create_task(self._server._serve([self._socket]))
        self._client = httpx2.AsyncClient(base_url=self.url, trust_env=False)
        return self._client

    async def __aexit__(self, *_: object) -> None:
        await self._client.aclose()
        self._server.should_exit = True
        await self._task


async def test_it_is_logged_once_by_its_route_and_answered(caplog: pytest.LogCaptureFixture) -> None:
    with structlog.testing.capture_logs() as logged:
        async with Served() as client:
            answer = await client.get(f"/v1/statements/{PERSON}?person={PERSON}")
            assert (answer.status_code, answer.json()["type"]) == (500, "urn:pagereeve:problem:internal")
            page = await client.get(f"/accounts/2026-11/person/{PERSON}")
            assert (page.status_code, page.text) == (500, "<p>internal</p>")
    told = [(one["method"], one["route"]) for one in logged if one["log_level"] == "error"]
    assert told == [("GET", "/v1/statements/{person}"), ("GET", "/accounts/{period}/{by}/{name}")]
    assert PERSON not in str(logged)
    assert [one.getMessage() for one in caplog.records if one.levelno >= logging.ERROR] == []


async def test_an_answer_that_breaks_off_is_seen_to_be_not_whole(caplog: pytest.LogCaptureFixture) -> None:
    with structlog.testing.capture_logs() as logged:
        async with Served() as client:
            with pytest.raises(httpx2.RemoteProtocolError):
                await client.get(f"/v1/exports/{PERSON}")
    assert logged == []
    [record] = [one for one in caplog.records if one.exc_info]
    assert record.exc_info is not None
    error = record.exc_info[1]
    assert error is not None
    assert error.__notes__ == ["while GET /v1/exports/{person} was answered"]
    assert PERSON not in caplog.text
