"""The daemon's HTTP side: the endpoint for events first, then the pages for machines.

``POST /v1/events`` is the hot path: it is found by one comparison and never passes through a framework's routing.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping, MutableMapping
from functools import partial
from typing import Any, Final

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route

from pagereeve.ports.journal import HINDRANCES, JournalUnavailable
from pagereeve.ports.telemetry import MetricsSource, Readiness
from pagereeve.telemetry.metrics import CONTENT_TYPE, MetricsPage

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
Parts = tuple[bytes, ...]
# For somebody who opens the port in a browser: where things are.
SIGNPOST: Final = """Pagereeve accounts for every page that a badge-released printer counts.

This port is for programs:
  POST /v1/events   badge events and release notices (pagereeve docs events)
  GET  /readyz      is all well, and if not, what is missing
  GET  /healthz     does the process answer
  GET  /metrics     figures for Prometheus
  GET  /v1/seal     the head of the journal's seal (pagereeve docs audit)
  GET  /v1/openapi.json   what else can be asked: releases, findings, totals (pagereeve docs api)

People open it in a browser, or ask on the daemon's own machine:
  pagereeve doctor     what is wrong, and what to do
  pagereeve findings   where pages and releases disagree
  pagereeve totals     released, counted and charged
"""

Seal = Callable[[], Awaitable[Mapping[str, Any]]]
AsgiApp = Callable[[Scope, Receive, Send], Awaitable[None]]

EVENTS_PATH: Final = "/v1/events"
SEAL_PATH: Final = "/v1/seal"
SIGNPOST_PATH: Final = "/"
FIRST_PAGE: Final = "/now"
OWN_PATHS: Final = frozenset({SIGNPOST_PATH, "/metrics", "/healthz", "/readyz", SEAL_PATH})
FRESH: Final = {"Cache-Control": "no-store"}
# In the scope: may whoever asks see more than a status? Whoever guards the pages says so (feeds/http/guarding.py).
DETAILED: Final = "pagereeve.detailed"


def _as_they_are(pages: AsgiApp) -> AsgiApp:
    return pages


def make_web(
    events_app: AsgiApp,
    telemetry: MetricsSource,
    readiness: Readiness,
    around_pages: Callable[[AsgiApp], AsgiApp] = _as_they_are,
    seal: Seal | None = None,
    questions: AsgiApp | None = None,
) -> AsgiApp:
    """One ASGI application: ``events_app`` at /v1/events, and GET /, /metrics, /healthz, /readyz; /v1/seal if
    there is a ``seal``, and what else is under /v1/ if somebody answers ``questions``.
    """
    pages = around_pages(with_questions(status_pages(telemetry, readiness, seal), questions))

    async def dispatch(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and scope["path"] == EVENTS_PATH:
            await events_app(scope, receive, send)
        else:
            await pages(scope, receive, send)

    return dispatch


def with_questions(pages: AsgiApp, questions: AsgiApp | None) -> AsgiApp:
    """``pages`` at their own paths, and all else is asked of ``questions``: the API, and pages for people. Who opens
    the port in a browser is sent to the first of these.
    """
    if questions is None:
        return pages
    to_people = RedirectResponse(FIRST_PAGE, status_code=303, headers={**FRESH, "Vary": "Accept"})

    async def dispatch(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["path"] == SIGNPOST_PATH and _wants_a_page(scope):
            await to_people(scope, receive, send)
        else:
            await (pages if scope["path"] in OWN_PATHS else questions)(scope, receive, send)

    return dispatch


def _wants_a_page(scope: Scope) -> bool:
    """As browsers say it, and programs do not."""
    return any(name == b"accept" and b"text/html" in value for name, value in scope["headers"])


def status_pages(telemetry: MetricsSource, readiness: Readiness, seal: Seal | None = None) -> Starlette:
    metrics = Metrics(MetricsPage(telemetry))

    async def healthz(_: Request) -> Response:
        """The process answers; whether it is ready is another question."""
        return JSONResponse({"alive": True}, headers=FRESH)

    async def readyz(request: Request) -> Response:
        """503 names each part that is not ready, and why; what is to be looked at all the same stands beside it, and
        how far the machine's clock is ahead of the dates that facts get.

        Whoever may not see details is told the status alone.
        """
        waiting = {name: why for name, why in readiness.parts().items() if why}
        status = 503 if waiting else 200
        if not request.scope.get(DETAILED, True):
            return JSONResponse({"ready": not waiting}, status_code=status, headers=FRESH)
        notices = readiness.notices()
        clock = readiness.clock()
        dated = {"ahead_s": clock.ahead_s, "agreed": clock.agreed}
        members = {"ready": not waiting, "not_ready": waiting} | ({"notices": notices} if notices else {})
        return JSONResponse({**members, "clock": dated}, status_code=status, headers=FRESH)

    sealed = [] if seal is None else [Route(SEAL_PATH, partial(_sealed, seal), methods=["GET"])]
    return Starlette(
        routes=[
            Route("/", _signpost, methods=["GET"]),
            Route("/metrics", metrics.answer, methods=["GET"]),
            Route("/healthz", healthz, methods=["GET"]),
            Route("/readyz", readyz, methods=["GET"]),
            *sealed,
        ]
    )


async def _signpost(_: Request) -> Response:
    return PlainTextResponse(SIGNPOST, headers=FRESH)


async def _sealed(seal: Seal, _: Request) -> Response:
    """The head of the journal's seal: whoever keeps it can tell later whether the journal was made anew."""
    try:
        return JSONResponse(await seal(), headers=FRESH)
    except JournalUnavailable as error:
        return JSONResponse({"trouble": HINDRANCES[error.hindrance]}, status_code=503, headers=FRESH)


class Metrics:
    """One rendering at a time; all that ask meanwhile share the next one, and none begins before as much time has
    passed as the last one took: a crowd of scrapers has half of one processor at most, and figures are never old.
    """

    def __init__(self, page: MetricsPage) -> None:
        self._page = page
        self._turn = asyncio.Lock()
        self._begun = 0
        self._rested_s = 0.0
        self._last: dict[bool, tuple[int, Parts]] = {}

    async def answer(self, request: Request) -> Response:
        zipped = takes_gzip(request.headers.get("accept-encoding", ""))
        parts = await self._body(zipped=zipped)
        coding = {"Content-Encoding": "gzip"} if zipped else {}
        size = {"Content-Length": str(sum(map(len, parts)))}
        headers = {**FRESH, "Vary": "Accept-Encoding", **coding, **size}
        return StreamingResponse(_one_by_one(parts), media_type=CONTENT_TYPE, headers=headers)

    async def _body(self, *, zipped: bool) -> Parts:
        """A page whose figures were taken after this call."""
        asked = self._begun
        loop = asyncio.get_running_loop()
        async with self._turn:
            number, body = self._last.get(zipped, (0, ()))
            if number > asked:
                return body
            await asyncio.sleep(max(self._rested_s - loop.time(), 0))
            self._begun += 1
            begun_s = loop.time()
            figures = await self._page.take_in_turns()
            body = await asyncio.to_thread(self._page.render, figures, zipped=zipped)
            self._rested_s = 2 * loop.time() - begun_s
            self._last[zipped] = (self._begun, body)
            return body


async def _one_by_one(parts: Parts) -> AsyncIterator[bytes]:
    for part in parts:
        yield part


def takes_gzip(accepted: str) -> bool:
    """Is gzip among the codings of an Accept-Encoding (RFC 9110 section 12.5.3), by its own name, and not refused?"""
    for coding in accepted.split(","):
        name, *parameters = (part.strip().lower() for part in coding.split(";"))
        if name in {"gzip", "x-gzip"}:
            weight = next((one.removeprefix("q=") for one in parameters if one.startswith("q=")), "1")
            return weight.strip("0.") != ""
    return False
