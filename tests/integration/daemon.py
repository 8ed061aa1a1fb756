"""The running daemon for tests from outside: hasty settings, a sender of notices, waiting with a deadline."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self, TypeVar

import httpx2

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.domain.facts.reading import Reading
from pagereeve.domain.ledger import Charge, Finding
from pagereeve.domain.values.instants import to_text
from pagereeve.settings import (
    Duration,
    HostPort,
    HttpSettings,
    PolicySettings,
    PrinterSettings,
    Settings,
    WatchSettings,
)

Value = TypeVar("Value")
SOURCE = "/invented/release-server"
DEADLINE_S = 20.0


def hasty_settings(folder: Path, printers: Iterable[PrinterSettings], **more: Any) -> Settings:
    return Settings(
        data_dir=folder,
        http=more.pop("http", HttpSettings(listen=HostPort("127.0.0.1", 0))),
        printers=tuple(printers),
        watch=WatchSettings(
            baseline=Duration.of("1s"),
            sleeper_backoff_max=Duration.of("2s"),
            read_timeout=Duration.of("2s"),
            poll_first=Duration.of("150ms"),
            poll_longest=Duration.of("1s"),
        ),
        policy=PolicySettings(
            settle=Duration.of("1s"),
            first_page_floor=Duration.of("100ms"),
            unmoved_wait=Duration.of("4s"),
            longest_window=Duration.of("60s"),
            longest_stalled_window=Duration.of("60s"),
            speed_per_minute=6_000,
        ),
        **more,
    )


async def until(look: Callable[[], Awaitable[Value | None]], what: str) -> Value:
    """The first value that is not None; fails after the deadline, naming what was waited for."""
    for _ in range(int(DEADLINE_S / 0.1)):
        value = await look()
        if value is not None:
            return value
        await asyncio.sleep(0.1)
    raise AssertionError(f"waited {DEADLINE_S} s in vain for {what}")


@dataclass
class Outside:
    """What a release server and an operator can see of an app."""

    app: App
    client: httpx2.AsyncClient = field(default_factory=lambda: httpx2.AsyncClient(timeout=15.0))

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.client.aclose()

    @property
    def url(self) -> str:
        host, port = self.app.http_address
        return f"http://{host}:{port}"

    async def post(self, content: bytes, kind: str = "application/cloudevents+json", **headers: str) -> httpx2.Response:
        sent = {"Content-Type": kind, **headers}
        return await self.client.post(f"{self.url}/v1/events", content=content, headers=sent)

    async def send(
        self, kind: str, name: str, data: Mapping[str, Any], time: str | None = None, **headers: str
    ) -> httpx2.Response:
        return await self.post(json.dumps(self.event(kind, name, data, time)).encode(), **headers)

    def event(self, kind: str, name: str, data: Mapping[str, Any], time: str | None = None) -> dict[str, Any]:
        now = to_text(SystemClock().now_us()) if time is None else time
        return {"specversion": "1.0", "id": name, "source": SOURCE, "type": kind, "time": now, "data": data}

    async def started(self, release: str, printer: str, pages: int, **headers: str) -> httpx2.Response:
        ticket = {"pages": pages, "copies": 1, "sides": "one-sided", "number_up": 1, "separator_sheets": 0}
        data = {
            "release": release,
            "job": f"job-{release}",
            "owner": "user-anise",
            "printer": printer,
            "ticket": ticket,
        }
        return await self.send("pagereeve.release.started.v1", f"{release}.started", data, **headers)

    async def ended(self, release: str) -> httpx2.Response:
        data = {"release": release, "outcome": "completed"}
        return await self.send("pagereeve.release.ended.v1", f"{release}.ended", data)

    async def closed_charge(self, release: str) -> Charge:
        async def look() -> Charge | None:
            charges = await self.app.store.charges_of(release)
            return next((charge for charge in charges if charge.closed_us is not None), None)

        return await until(look, f"a closed charge of release {release}")

    async def finding(self, kind: str, printer: str) -> Finding:
        async def look() -> Finding | None:
            findings = await self.app.store.findings(only_open=False)
            return next((one for one in findings if (one.kind, one.printer) == (kind, printer)), None)

        return await until(look, f"a finding {kind} at {printer}")

    async def first_reading(self, printer: str) -> Reading:
        async def look() -> Reading | None:
            return self.app.registry.watchers[printer].last_good

        return await until(look, f"a first reading of {printer}")

    async def metrics(self) -> str:
        return (await self.client.get(f"{self.url}/metrics")).text
