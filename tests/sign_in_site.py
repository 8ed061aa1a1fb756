"""The daemon's HTTP side with its layer for people, as app/daemon.py puts it together, over a journal in memory."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import httpx2
from fastapi import FastAPI

from pagereeve.app.sign_in import SignIn
from pagereeve.console.api.asker import LEFT, SESSION, STRANGER, headers_of
from pagereeve.console.api.context import ApiContext, put_context
from pagereeve.console.api.site import AskedSite
from pagereeve.console.application import make_console
from pagereeve.console.sign_in.passwords import Passwords
from pagereeve.domain.credentials.book import Credential, CredentialBook
from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.facts.names_shown import NamesShown
from pagereeve.feeds.http.answers import READER, Receive, Scope, Send
from pagereeve.feeds.http.callers import HttpCallers
from pagereeve.feeds.http.endpoint import EventsEndpoint
from pagereeve.feeds.http.guarding import guarded_pages
from pagereeve.feeds.testing import LoopClock, MemoryIntake
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.settings.console import ConsoleSettings
from pagereeve.store.memory.journal import MemoryJournal
from pagereeve.telemetry.pages import make_web
from tests.credentials import NOW_US
from tests.signing_in import CHEAP, Browser
from tests.telemetry_stub import StubTelemetry

ORIGIN = "http://pages.example:8731"
FORM = "application/x-www-form-urlencoded"
EVENT = {
    "specversion": "1.0",
    "id": "n-1",
    "source": "/panel",
    "type": "pagereeve.printer.noted.v1",
    "data": {"printer": "lib-1", "note": "moved"},
}


@cache
def _console() -> FastAPI:
    """Made once: each site puts its own context into it."""
    return make_console(ApiContext(MemoryJournal(), AskedSite(), lambda: NOW_US))


@dataclass
class HeldClock:
    at_us: int = NOW_US

    def now_us(self) -> int:
        return self.at_us

    def wall_us(self) -> int:
        return self.at_us

    def monotonic_us(self) -> int:
        return self.at_us

    async def sleep(self, seconds: float) -> None:
        raise NotImplementedError


@dataclass
class FullDisk:
    """As a journal that stores nothing."""

    async def append(self, _: Fact) -> Any:
        raise JournalUnavailable("full", "no-space")


@dataclass
class Site:
    """``client_address`` is where requests come from; ``scheme`` what the door speaks."""

    book: CredentialBook
    settings: ConsoleSettings = field(default_factory=ConsoleSettings)
    scheme: str = "http"
    client_address: tuple[str, int] = ("192.0.2.1", 4711)
    clock: HeldClock = field(default_factory=HeldClock)
    passwords: Passwords = CHEAP
    asked: AskedSite = field(default_factory=AskedSite)
    more_scope: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.journal = MemoryJournal()
        self.intake = MemoryIntake()
        self.callers = HttpCallers(self.clock.now_us, self.book)
        self.events = EventsEndpoint(self.intake, None, clock=LoopClock(), callers=self.callers)
        context = ApiContext(self.journal, self.asked, self.clock.now_us)

        async def questions(scope: Scope, receive: Receive, send: Send) -> None:
            """As the forwarder asks the query process."""
            told = [pair for pair in scope["headers"] if pair[0] == b"accept"]
            told += headers_of(scope[READER], scope.get(SESSION), scope.get(STRANGER, ""), scope.get(LEFT, ""))
            console = _console()
            put_context(console, context)
            await console({**scope, "headers": told}, receive, send)

        telemetry = StubTelemetry()

        def around(pages: Any) -> Any:
            return guarded_pages(pages, self.callers, self.events.stats)

        web = make_web(self.events, telemetry, telemetry, around, None, questions)
        self.sign_in = SignIn(
            web,
            self.callers,
            self.events.stats,
            self.journal,
            self.clock,
            lambda: self.settings,
            passwords=self.passwords,
        )

    @asynccontextmanager
    async def browser(self, origin: str = ORIGIN) -> AsyncIterator[Browser]:
        async def served(scope: Scope, receive: Receive, send: Send) -> None:
            scope = {**scope, "client": self.client_address, "scheme": self.scheme, **self.more_scope}
            await self.sign_in(scope, receive, send)

        transport = httpx2.ASGITransport(app=served)
        async with httpx2.AsyncClient(transport=transport, trust_env=False) as client:
            yield Browser(client, origin)

    async def shown(self) -> list[NamesShown]:
        return [one.fact async for one in self.journal.facts("") if isinstance(one.fact, NamesShown)]


def site(*credentials: Credential, **more: Any) -> Site:
    return Site(CredentialBook(credentials), **more)


FOREIGN: list[dict[str, str]] = [
    {"origin": "http://evil.example", "sec_fetch_site": "cross-site"},
    {"origin": "http://evil.example", "sec_fetch_site": ""},
    {"origin": "null", "sec_fetch_site": ""},
    {"origin": "http://pages.example:9999", "sec_fetch_site": "same-site"},  # a cookie knows no port
    {"origin": "", "sec_fetch_site": "cross-site"},
    {"origin": "", "sec_fetch_site": "same-site"},
]


async def send_event(browser: Browser, **headers: str) -> httpx2.Response:
    own = {"origin": ORIGIN, "sec-fetch-site": "same-origin", "content-type": "application/cloudevents+json"}
    sent = {**own, "cookie": browser.cookie, **{name.replace("_", "-"): value for name, value in headers.items()}}
    kept = {name: value for name, value in sent.items() if value}
    return await browser.client.post(f"{ORIGIN}/v1/events", content=json.dumps(EVENT).encode(), headers=kept)
