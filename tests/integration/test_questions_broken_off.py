"""Questions at a running daemon whose query process ends or is renewed in the middle, and paths that are tricks."""

from __future__ import annotations

import asyncio
import os
import signal
from collections.abc import Awaitable, Callable
from pathlib import Path

import httpx2
import pytest

from pagereeve.app.daemon import App
from pagereeve.app.questions import process
from tests.integration.daemon import Outside, until
from tests.integration.test_questions import settings_of

TRICKS = (
    "//v1/releases",
    "/v1//releases",
    "/%76%31/releases/../../metrics",
    "/v1/%2e%2e/metrics",
    "/v1/..%2fmetrics",
    "/v1/releases%00",
    "/v1/releases/%2F%2E%2E%2F",
    "/v1/printers/..%2f..%2fhall",
    "http://elsewhere.example/v1/nothing",
)


async def answer_to(address: tuple[str, int], target: str) -> bytes:
    """Sent as it stands: a client's library would put it right. The status line."""
    reader, writer = await asyncio.open_connection(*address)
    writer.write(f"GET {target} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n".encode())
    try:
        return await asyncio.wait_for(reader.readline(), 30)
    finally:
        writer.close()


async def test_what_is_under_way_when_the_process_ends_is_whole_or_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(process, "RESTART_S", 0.1)
    async with App(settings_of(tmp_path), first_reads_spread_s=60) as app, Outside(app) as outside:
        outside.client.timeout = httpx2.Timeout(60)
        url = f"{outside.url}/v1/openapi.json"
        whole = (await outside.client.get(url)).content

        async def ask() -> int | None:
            """Its status; None where the connection ended before the answer did."""
            try:
                answer = await outside.client.get(url)
            except httpx2.RemoteProtocolError:
                return None
            if answer.status_code == 200:
                assert answer.content == whole
            return answer.status_code

        for killed in (True, False):
            asking = [asyncio.create_task(ask()) for _ in range(40)]
            await asyncio.sleep(0.02)
            pid = app.query_process.pid
            assert pid is not None
            if killed:
                os.kill(pid, signal.SIGKILL)
            else:
                app.query_process.renew()
            seen = set(await asyncio.gather(*asking))
            assert seen <= {200, 503, None}, seen
            # Releases are counted all the while, and the next question finds a process again.
            assert (await outside.started(f"r-{pid}", "hall", 1)).status_code == 200
            await until(lambda: _answered(ask), "an answer of the next process")
        for target in TRICKS:
            status = await answer_to(app.http_address, target)
            assert status.split()[1] in {b"400", b"404", b"421"}, (target, status)


async def _answered(ask: Callable[[], Awaitable[int | None]]) -> bool | None:
    return (await ask()) == 200 or None
