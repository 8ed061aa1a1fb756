"""From the daemon's endpoints to the query process and back: who asks was found out before."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from http import HTTPStatus
from typing import Final

import httpx2
import structlog

from pagereeve.app.questions.process import NoAnswers, QueryProcess
from pagereeve.console.api.asker import LEFT, SESSION, STRANGER, headers_of
from pagereeve.console.api.closing_told import ClosingTold
from pagereeve.console.api.problems import ApiProblem, answer_of, problem_of
from pagereeve.console.api.told_clock import clock_header
from pagereeve.feeds.http.answers import READER, Message, Receive, Scope, Send
from pagereeve.ports.journal import JournalUnavailable

# Beyond a question's own time, and between two events of a stream.
SILENT_S: Final = 60.0
CONNECTIONS_MAX: Final = 256
TRIES: Final = 2
_PASSED_ON: Final = frozenset({b"accept", b"if-none-match", b"last-event-id", b"hx-request"})
_PASSED_BACK: Final = frozenset(
    {
        "content-type",
        "content-length",
        "content-disposition",
        "etag",
        "cache-control",
        "vary",
        "allow",
        "link",
        "retry-after",
        "location",
        "content-security-policy",
        "referrer-policy",
        "cross-origin-opener-policy",
        "x-accel-buffering",
        "x-content-type-options",
    }
)

log = structlog.get_logger("pagereeve.questions")


class QuestionForwarder:
    """An ASGI application. What a client sends in a body is not looked at: nothing is changed by a question.

    ``now_us`` is the clock by which facts are dated. ``refusal``: why the journal can't be asked just now; no
    process is started to find that out.
    """

    def __init__(
        self,
        process: QueryProcess,
        now_us: Callable[[], int],
        closing: Callable[[], ClosingTold | None] = lambda: None,
        refusal: Callable[[], JournalUnavailable | None] = lambda: None,
    ) -> None:
        self._process = process
        self._now_us = now_us
        self._closing = closing
        self._refusal = refusal
        self._client: httpx2.AsyncClient | None = None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Until it is answered, or nobody waits for the answer any more."""
        answering = asyncio.create_task(self._answer(scope, receive, send))
        gone = asyncio.create_task(_gone(receive))
        try:
            await asyncio.wait({answering, gone}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            gone.cancel()
            if not answering.done():
                answering.cancel()
            await asyncio.gather(answering, gone, return_exceptions=True)
        if not answering.cancelled():
            answering.result()

    async def _answer(self, scope: Scope, receive: Receive, send: Send) -> None:
        started = False
        if (refusal := self._refusal()) is not None and not self._process.runs:
            await answer_of(problem_of(refusal))(scope, receive, send)
            return

        async def sending(message: Message) -> None:
            nonlocal started
            started = True
            async with asyncio.timeout(SILENT_S):
                await send(message)

        try:
            async with self._asked(scope) as response:
                await _pass_back(response, sending, with_body=scope["method"] != "HEAD")
        except TimeoutError:
            # Its connection ends, and the answer is not whole.
            log.warning("a client takes nothing of its answer, and is cut off", path=_beginning(scope["path"]))
        except (NoAnswers, httpx2.HTTPError) as error:
            if started:
                raise  # the client sees that the answer is not whole
            why = str(error) if isinstance(error, NoAnswers) else "the query process gave no answer; ask again"
            problem = answer_of(ApiProblem("over-capacity", "question", why))
            await problem(scope, receive, send)

    @asynccontextmanager
    async def _asked(self, scope: Scope) -> AsyncIterator[httpx2.Response]:
        target = scope.get("raw_path") or scope["path"].encode()
        if scope["query_string"]:
            target += b"?" + scope["query_string"]
        headers = [pair for pair in scope["headers"] if pair[0] in _PASSED_ON]
        headers += headers_of(scope[READER], scope.get(SESSION), scope.get(STRANGER, ""), scope.get(LEFT, ""))
        headers.append(clock_header(self._now_us()))
        if (closing := self._closing()) is not None:
            headers.append(closing.to_header())
        method = "GET" if scope["method"] == "HEAD" else scope["method"]
        response = await self._first(
            httpx2.Request(method, "http://query", headers=headers, extensions={"target": target})
        )
        try:
            yield response
        finally:
            await response.aclose()

    async def _first(self, request: httpx2.Request) -> httpx2.Response:
        """What begins to answer. Where the process ends before that, the next one is asked: a question changes nothing,
        and what waits at our socket would wait until somebody else asks.
        """
        for _ in range(TRIES):
            await self._process.require()
            asked = asyncio.create_task(self._opened().send(request, stream=True))
            ended = asyncio.create_task(self._process.ended())
            try:
                await asyncio.wait({asked, ended}, return_when=asyncio.FIRST_COMPLETED)
            finally:
                ended.cancel()
                if not asked.done():
                    asked.cancel()
                await asyncio.gather(asked, ended, return_exceptions=True)
            if not asked.cancelled() and not isinstance(asked.exception(), httpx2.TransportError):
                return asked.result()
        raise NoAnswers("the query process ended before it answered; ask again in a moment")

    def _opened(self) -> httpx2.AsyncClient:
        if self._client is None:
            limits = httpx2.Limits(max_connections=CONNECTIONS_MAX, max_keepalive_connections=16)
            transport = httpx2.AsyncHTTPTransport(uds=str(self._process.socket_path), limits=limits, trust_env=False)
            self._client = httpx2.AsyncClient(transport=transport, timeout=httpx2.Timeout(SILENT_S), trust_env=False)
        return self._client

    async def close(self) -> None:
        if self._client is not None:
            await self._client.aclose()
        await self._process.close()


def _beginning(path: str) -> str:
    """For a log: what comes behind may name a person."""
    return "/".join(path.split("/")[:3])[:80]


async def _gone(receive: Receive) -> None:
    """The client hung up. A body that it sends is not looked at."""
    while (await receive())["type"] != "http.disconnect":
        pass


async def _pass_back(response: httpx2.Response, send: Send, *, with_body: bool) -> None:
    headers = [(name, value) for name, value in response.headers.raw if name.decode("latin-1").lower() in _PASSED_BACK]
    await send({"type": "http.response.start", "status": response.status_code, "headers": headers})
    if with_body and response.status_code != HTTPStatus.NOT_MODIFIED:
        async for chunk in response.aiter_raw():
            await send({"type": "http.response.body", "body": chunk, "more_body": True})
    await send({"type": "http.response.body", "body": b""})
