"""The local socket: what commands on this host ask of the daemon, each with its user as the author."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from functools import partial
from http import HTTPStatus
from typing import Final

from pagereeve.app.closings import ClosePeriod, Closings, closer
from pagereeve.app.deciding.door import decides
from pagereeve.app.people_door import store_people
from pagereeve.app.request_body import read_body
from pagereeve.domain.credentials.callers import Act, Caller
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.instants import to_text
from pagereeve.feeds.admission import ConnectionLimits
from pagereeve.feeds.http.answers import (
    CALLER,
    CLOSE,
    DETAILED,
    LOCAL_UID,
    READER,
    AsgiApp,
    HttpAnswer,
    Receive,
    Scope,
    Send,
    refusal_answer,
    send_answer,
)
from pagereeve.feeds.http.endpoint import EventsEndpoint, HttpLimits
from pagereeve.feeds.http.server import HttpServer, wire_limits
from pagereeve.feeds.local import paths
from pagereeve.feeds.local.callers import LocalCallers
from pagereeve.feeds.local.socket_file import SocketFile
from pagereeve.feeds.refusals import Refusal
from pagereeve.feeds.stats import FeedStats
from pagereeve.ports.clock import Clock
from pagereeve.ports.closing import NotClosed
from pagereeve.ports.intake import Intake
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.ports.store import Store
from pagereeve.settings import Settings

FEED: Final = "local"
# People at terminals, and a script or two.
CONNECTIONS: Final = ConnectionLimits(
    connections_max=64, peer_max=32, strangers_max=16, opens_per_s=50.0, opens_burst=100.0
)
REQUESTS_MAX: Final = 64
RETRY_AFTER_S: Final = 5
BODY_MAX_BYTES: Final = 8_192
BODY_S: Final = 10.0


@dataclass(frozen=True, slots=True)
class Orders:
    """What a person of this host may have done. ``agree`` keeps a person's word that the clock is right, ``people``
    what is said of persons; ``close`` closes a period.

    ``agree`` gets who says it and returns the instant that it is said of (microseconds since 1970); it may block, and
    raises OSError where the word can't be kept.
    """

    agree: Callable[[str], int]
    close: ClosePeriod
    people: Callable[[Receive, str], Awaitable[HttpAnswer]]


def orders_of(
    store: Store,
    clock: Clock,
    agree: Callable[[str], int],
    closings: Closings,
    settings: Callable[[], Settings],
) -> Orders:
    """``settings`` gives those in force."""
    return Orders(agree, closer(closings, settings), partial(store_people, store=store, clock=clock))


@dataclass(frozen=True, slots=True)
class LocalApp:
    """The ASGI application of the local socket."""

    callers: LocalCallers
    events: AsgiApp
    pages: AsgiApp
    orders: Orders
    stats: FeedStats
    decisions: AsgiApp

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        caller = await self.callers.caller_of(scope[LOCAL_UID])
        known = {**scope, CALLER: caller, READER: caller, DETAILED: caller.may("read")}
        path = scope["path"]
        if path == paths.EVENTS:
            await self.events(known, receive, send)
            return
        if decides(scope):
            await self.decisions(known, receive, send)
            return
        try:
            if path == paths.CLOCK_AGREEMENT:
                await send_answer(await self._agreed(scope["method"], caller), send)
                return
            if path == paths.CLOSED_PERIODS:
                await send_answer(await self._closed(scope["method"], caller, receive), send)
                return
            if path == paths.PEOPLE:
                _require_post(scope["method"])
                _require(caller, "administer", path)
                await send_answer(await self.orders.people(receive, caller.name), send)
                return
            if path not in paths.HEALTH:
                _require(caller, "read", path)
        except Refusal as refusal:
            self.stats.refused[refusal.reason] += 1
            await send_answer(refusal_answer(refusal, RETRY_AFTER_S, CLOSE), send)
            return
        await self.pages(known, receive, send)

    async def _agreed(self, method: str, caller: Caller) -> HttpAnswer:
        _require_post(method)
        _require(caller, "administer", paths.CLOCK_AGREEMENT)
        try:
            at_us = await asyncio.to_thread(self.orders.agree, caller.name)
        except OSError as error:
            why = f"can't be kept ({error.strerror}); say it again once the data folder can be written"
            raise Refusal("journal-unavailable", "clock", why) from None
        return HttpAnswer(HTTPStatus.OK, {"by": caller.name, "agreed": to_text(at_us)})

    async def _closed(self, method: str, caller: Caller, receive: Receive) -> HttpAnswer:
        _require_post(method)
        _require(caller, "decide", paths.CLOSED_PERIODS)
        body = await read_body(receive, BODY_MAX_BYTES, BODY_S)
        try:
            return HttpAnswer(HTTPStatus.OK, dict(await self.orders.close(json.loads(body), caller.name)))
        except JournalUnavailable as error:
            raise Refusal("journal-unavailable", "journal", str(error)) from None
        except NotClosed as error:
            return HttpAnswer(HTTPStatus.CONFLICT, {"detail": str(error)}, is_problem=True)
        except (ValueError, BadFact, BadQuestion) as error:
            raise Refusal("bad-json", "body", f"is no request to close a period: {error}") from None


def _require_post(method: str) -> None:
    if method != "POST":
        raise Refusal("wrong-method", "method", f"{method[:20]} is not served here; send POST")


def _require(caller: Caller, act: Act, path: str) -> None:
    if not caller.may(act):
        todo = "run it as root, or let [local] in the settings allow it"
        raise Refusal("forbidden", path[:80], f"needs the act {act}, which {caller.name} does not have; {todo}", act)


class LocalDoor:
    """Opened, served in a task of its own, and gone with its file."""

    def __init__(self, settings: Settings, app: LocalApp, on_error: Callable[[Exception], None]) -> None:
        """Raises NoLocalSocket."""
        self.stats = app.stats
        app.stats.connections_max = CONNECTIONS.connections_max
        wire = wire_limits(settings.http)
        self._server = HttpServer(app, app.stats, wire=wire, connections=CONNECTIONS, on_error=on_error)
        self._file = SocketFile(settings.local_socket_path, settings.local.group)
        self._task: asyncio.Task[None] | None = None

    @staticmethod
    def events_of(settings: Settings, intake: Intake, clock: Clock) -> EventsEndpoint:
        http = settings.http
        limits = HttpLimits(
            body_max_bytes=http.body_max_bytes, read_s=http.body_timeout.seconds, requests_max=REQUESTS_MAX
        )
        return EventsEndpoint(intake, limits, clock=clock, feed=FEED)

    def start(self) -> None:
        self._server.adopt(self._file.listening)
        self._task = asyncio.create_task(self._server.serve(), name=FEED)

    async def stop(self) -> None:
        self._file.remove()
        self._server.should_exit = True
        if self._task is not None:
            await self._task
