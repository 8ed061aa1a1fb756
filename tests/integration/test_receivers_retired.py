"""A webhook that answers 410 gets nothing more: through restarts, until a person says so or its settings are others."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

from pagereeve.app.daemon import App
from pagereeve.app.decisions import DecisionRequest, tell_daemon
from pagereeve.domain.ledger import Finding
from pagereeve.settings import AlertSettings, Duration, Settings, WebhookSettings
from tests.integration.daemon import Outside, hasty_settings, until
from tests.integration.webserver import OK, Request, WebServer, status, web_server

GONE = status("410 Gone")
QUIET_S = 2.5
"""More than two looks at what waits, and no more than a pause after a failure."""


@dataclass
class Desks:
    """Two receivers: one that may be gone, and one that hears of it."""

    folder: Path
    desk: WebServer
    other: WebServer
    answers: list[bytes] = field(default_factory=lambda: [GONE])

    def settings(self, timeout: str = "5s") -> Settings:
        secret = self.folder / "secret"
        secret.write_text("a secret that only two share")
        secret.chmod(0o600)
        hooks = tuple(
            WebhookSettings(name=name, url=f"{site.url}/hook", secret_file=secret, timeout=Duration.of(timeout))
            for name, site in (("desk", self.desk), ("other", self.other))
        )
        quickly = Duration.of("100ms")
        alerts = AlertSettings(hold=quickly, hold_over=quickly, webhooks=hooks)
        return hasty_settings(self.folder / "data", (), alerts=alerts)

    @asynccontextmanager
    async def running(self, settings: Settings) -> AsyncIterator[Outside]:
        async with App(settings) as app, Outside(app) as outside:
            yield outside

    def heard(self, kind: str, step: str = "opened") -> list[str]:
        events = [json.loads(request.body)["data"] for request in self.other.requests]
        return [one["subject"] for one in events if (one["kind"], one["step"]) == (kind, step)]


@asynccontextmanager
async def desks(folder: Path) -> AsyncIterator[Desks]:
    async with web_server() as desk, web_server() as other:
        both = Desks(folder, desk, other)

        def answer(_: Request) -> bytes:
            return both.answers[0]

        desk.answer = answer
        yield both


async def retired(outside: Outside) -> Finding:
    """The one that is open."""

    async def look() -> Finding | None:
        found = await outside.app.store.findings(only_open=True)
        return next((one for one in found if one.kind == "receiver-retired"), None)

    return await until(look, "an open finding receiver-retired")


async def over(outside: Outside, name: str) -> Finding:
    async def look() -> Finding | None:
        finding = await outside.app.store.finding(name)
        return finding if finding is not None and finding.state != "open" else None

    return await until(look, f"the end of finding {name}")


def count(wanted: int, site: WebServer) -> Callable[[], Awaitable[int | None]]:
    async def look() -> int | None:
        return len(site.requests) if len(site.requests) >= wanted else None

    return look


async def test_a_receiver_that_is_gone(tmp_path: Path) -> None:
    async with desks(tmp_path) as both:
        async with both.running(both.settings()) as outside:
            await outside.started("r-1", "nobody-knows-me", 3)
            first = await retired(outside)
            assert first.severity == "warning"
            assert first.place == "receiver desk"
            await until(lambda: _told(both, "receiver-retired"), "that the other one hears of it")
            await asyncio.sleep(QUIET_S)
            assert len(both.desk.requests) == 1
            assert both.heard("receiver-retired") == ["receiver desk"]

        # The same settings: nothing more, through a restart.
        async with both.running(both.settings()) as outside:
            await asyncio.sleep(QUIET_S)
            assert len(both.desk.requests) == 1
            assert (await retired(outside)).id == first.id

            # A person says so: it gets what waited, and is gone again.
            socket = outside.app.settings.local_socket_path
            await asyncio.to_thread(tell_daemon, socket, DecisionRequest(first.id, "close"))
            await until(count(2, both.desk), "that it is sent to again")
            second = await retired(outside)
            assert second.id != first.id
            await asyncio.sleep(QUIET_S)
            assert len(both.desk.requests) == 2

        # Its settings are others: it gets all that waited, and the finding is over.
        both.answers[0] = OK
        async with both.running(both.settings("6s")) as outside:
            await over(outside, second.id)
            await until(count(4, both.desk), "that it gets what waited")
            told = [json.loads(request.body)["id"] for request in both.desk.requests]
            assert told[0] == told[1] == told[2]
            await until(lambda: _told(both, "receiver-retired", "resolved"), "that the other one hears of its end")


async def _told(both: Desks, kind: str, step: str = "opened") -> bool | None:
    return bool(both.heard(kind, step)) or None
