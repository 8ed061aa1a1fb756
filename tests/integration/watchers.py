"""Debian's Prometheus and Alertmanager beside a daemon of the tests, and a receiver of what they tell."""

from __future__ import annotations

import asyncio
import json
import re
import socket
import threading
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, TypeVar

import httpx2
import yaml

from tests.integration.rules import DASHBOARDS, RULE_FILES

Value = TypeVar("Value")
HOLD = re.compile(r"^( +(?:for|keep_firing_for)): \w+$", re.MULTILINE)
STOP_S = 10.0
ALERTS_MAX = 1_000


def hasty_rules(folder: Path, hold: str) -> list[str]:
    """Copies of the committed rules in which only the holds differ."""
    copies = []
    for file in RULE_FILES:
        text, _ = HOLD.subn(rf"\1: {hold}", file.read_text(encoding="utf-8"))
        (folder / file.name).write_text(text, encoding="utf-8")
        copies.append(str(folder / file.name))
    return copies


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port: int = one.getsockname()[1]
        return port


@asynccontextmanager
async def program(log: Path, *argv: str) -> AsyncIterator[None]:
    """Runs until the block ends, then is told to stop; what it said is in ``log``."""
    with log.open("wb") as said:
        process = await asyncio.create_subprocess_exec(
            *argv, stdin=asyncio.subprocess.DEVNULL, stdout=said, stderr=said
        )
        try:
            yield
        finally:
            if process.returncode is None:
                process.terminate()
            try:
                async with asyncio.timeout(STOP_S):
                    await process.wait()
            except TimeoutError:
                process.kill()
                await process.wait()


@asynccontextmanager
async def alertmanager(folder: Path, webhook: str) -> AsyncIterator[str]:
    """With the committed inhibit rules; tells everything to ``webhook``. Yields HOST:PORT."""
    config = yaml.safe_load((DASHBOARDS / "alertmanager-inhibit.yml").read_text(encoding="utf-8")) | {
        "route": {"receiver": "test", "group_by": ["..."], "group_wait": "100ms", "group_interval": "1s"},
        "receivers": [{"name": "test", "webhook_configs": [{"url": webhook, "send_resolved": True}]}],
    }
    (folder / "alertmanager.yml").write_text(yaml.safe_dump(config), encoding="utf-8")
    address = f"127.0.0.1:{free_port()}"
    argv = (
        "prometheus-alertmanager",
        f"--config.file={folder / 'alertmanager.yml'}",
        f"--storage.path={folder / 'alertmanager'}",
        f"--web.listen-address={address}",
        "--cluster.listen-address=",
    )
    async with program(folder / "alertmanager.log", *argv):
        await ready(f"http://{address}/-/ready", folder / "alertmanager.log")
        yield address


@asynccontextmanager
async def prometheus(folder: Path, target: str, rule_files: list[str], alerts_to: str) -> AsyncIterator[str]:
    """Scrapes ``target`` every second as the job pagereeve. Yields its base URL."""
    config = {
        "global": {"scrape_interval": "1s", "scrape_timeout": "1s", "evaluation_interval": "1s"},
        "rule_files": rule_files,
        "scrape_configs": [{"job_name": "pagereeve", "static_configs": [{"targets": [target]}]}],
        "alerting": {"alertmanagers": [{"static_configs": [{"targets": [alerts_to]}]}]},
    }
    (folder / "prometheus.yml").write_text(yaml.safe_dump(config), encoding="utf-8")
    address = f"127.0.0.1:{free_port()}"
    argv = (
        "prometheus",
        f"--config.file={folder / 'prometheus.yml'}",
        f"--storage.tsdb.path={folder / 'tsdb'}",
        f"--web.listen-address={address}",
        "--log.level=warn",
    )
    async with program(folder / "prometheus.log", *argv):
        await ready(f"http://{address}/-/ready", folder / "prometheus.log")
        yield f"http://{address}"


async def ready(url: str, log: Path) -> None:
    async def look() -> bool | None:
        try:
            return (await client.get(url)).status_code == httpx2.codes.OK or None
        except httpx2.TransportError:
            return None

    async with httpx2.AsyncClient() as client:
        await until(look, 20, lambda: f"{url} is not ready: {log.read_text(encoding='utf-8')[-2000:]}")


async def until(look: Callable[[], Awaitable[Value | None]], within_s: float, what: Callable[[], str]) -> Value:
    """The first value that is not None; after ``within_s`` it fails with what ``what`` says."""
    for _ in range(int(within_s / 0.2)):
        value = await look()
        if value is not None:
            return value
        await asyncio.sleep(0.2)
    raise AssertionError(what())


async def ask(client: httpx2.AsyncClient, base: str, expression: str) -> list[dict[str, Any]]:
    """The samples of an expression now, none before Prometheus is ready; fails on an expression that it refuses."""
    response = await client.get(f"{base}/api/v1/query", params={"query": expression})
    if response.status_code == httpx2.codes.SERVICE_UNAVAILABLE:
        return []
    answer = response.json()
    assert answer["status"] == "success", f"{expression}: {answer}"
    result: list[dict[str, Any]] = answer["data"]["result"]
    return result


@contextmanager
def webhook() -> Iterator[tuple[str, list[dict[str, Any]]]]:
    """A URL on loopback, and the alerts that were posted there so far, in order."""
    alerts: list[dict[str, Any]] = []

    class Taking(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            if len(alerts) < ALERTS_MAX:
                alerts.extend(body["alerts"])
            self.send_response(200)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """A test's output is its own."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Taking)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.1}, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}/", alerts
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
