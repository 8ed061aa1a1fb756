"""``POST /v1/events`` as a bare ASGI endpoint: CloudEvents in, an answer once they are durable."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace

from pydantic import SecretStr

from pagereeve.domain.credentials.callers import Caller
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.feeds.authorization import authorized
from pagereeve.feeds.http import cloudevents, prefer
from pagereeve.feeds.http.answers import (
    CALLER,
    CLOSE,
    ON_ADMITTED,
    Headers,
    HttpAnswer,
    Receive,
    Scope,
    Send,
    refusal_answer,
    send_answer,
)
from pagereeve.feeds.http.bearer import BearerTokens
from pagereeve.feeds.http.quotas import QuotaLimits, SenderQuotas, sender_of
from pagereeve.feeds.http.settings import HttpSettings
from pagereeve.feeds.refusals import BadItem, Refusal
from pagereeve.feeds.stats import FeedStats
from pagereeve.feeds.submission import Submission, Submitter, item_result
from pagereeve.ports.clock import Clock
from pagereeve.ports.intake import Envelope, Intake


@dataclass(frozen=True, slots=True)
class HttpLimits:
    """What one endpoint may cost.

    body_max_bytes   of one request
    held_max_bytes   of all requests that are not answered yet
    requests_max     not answered yet; each gated release is one of them
    batch_max        events in one batch, ``batch_at_once`` of them with the intake at a time
    read_s           for a body to arrive
    wait_max_s       the longest a sender may ask an answer to wait for a meter reading
    answer_s         for the intake to make an event durable, beside that wait
    retry_after_s    what a sender is sent when nothing was stored
    quotas           what one sender may ask for
    """

    body_max_bytes: int = 1024 * 1024
    held_max_bytes: int = 64 * 1024 * 1024
    requests_max: int = 4096
    batch_max: int = cloudevents.BATCH_MAX
    batch_at_once: int = 64
    read_s: float = 10.0
    wait_max_s: int = 30
    answer_s: float = 30.0
    retry_after_s: int = 5
    quotas: QuotaLimits = field(default_factory=QuotaLimits)


class WrongScope(PagereeveError):
    """The server handed over something that is no HTTP request."""


class _ClientGone(Exception):
    """The sender hung up before its request was complete: there is nobody to answer."""


class _Request:
    """The headers that matter here, and as much of the body as was read."""

    def __init__(self, scope: Scope) -> None:
        self.method: str = scope["method"]
        self.scope = scope
        self.sender = ""
        self.caller: Caller | None = scope.get(CALLER)
        self.attributes: list[tuple[str, str]] = []
        self.prefer: list[str] = []
        self.authorization: bytes | None = None
        self.body = bytearray()
        self.complete = False
        content_type: str | None = None
        self.coding = ""
        self.length_bytes = 0
        for name, value in scope["headers"]:
            if name.startswith(b"ce-"):
                self.attributes.append((name.decode("latin-1"), value.decode("latin-1")))
            elif name == b"content-type":
                content_type = value.decode("latin-1")
            elif name == b"prefer":
                self.prefer.append(value.decode("latin-1"))
            elif name == b"authorization":
                self.authorization = value
            elif name == b"content-encoding":
                self.coding = value.decode("latin-1").strip().lower()
            elif name == b"content-length" and value.isdigit():
                self.length_bytes = int(value) if len(value) < 16 else 10**16
        self.content_type = content_type


class EventsEndpoint:
    """An ASGI application for one path. Requests are independent; what one does costs the others nothing.

    After an error of our own the sender is answered 500, and then the error is raised to the server, which logs it.
    """

    def __init__(
        self,
        intake: Intake,
        limits: HttpLimits | None = None,
        *,
        clock: Clock,
        feed: str = "http",
        tokens: BearerTokens | None = None,
        stats: FeedStats | None = None,
    ) -> None:
        self.stats = stats or FeedStats()
        self._limits = limits or HttpLimits()
        self.stats.requests_max = self._limits.requests_max
        self._clock = clock
        self._tokens = tokens or BearerTokens()
        self._quotas = SenderQuotas(self._limits.quotas, clock)
        self._held_bytes = 0
        self._submitter = Submitter(
            intake, feed, self.stats, answer_s=self._limits.answer_s, at_once=self._limits.batch_at_once
        )

    def accept_tokens(self, tokens: Iterable[SecretStr]) -> None:
        """From the next request on these alone; with none, everybody."""
        self._tokens = BearerTokens(token.get_secret_value() for token in tokens)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            raise WrongScope(f"{scope['type']} is not served here, only http")
        started_us = self._clock.monotonic_us()
        request = _Request(scope)
        self.stats.requests_open += 1
        try:
            answer = await self._answer(request, receive, scope.get(ON_ADMITTED, _nothing))
            await send_answer(answer, send)
        except _ClientGone:
            self.stats.clients_gone += 1
            return
        finally:
            self.stats.requests_open -= 1
            self._held_bytes -= len(request.body)
        self.stats.answers += 1
        self.stats.answer_us += self._clock.monotonic_us() - started_us
        if answer.faults:
            raise ExceptionGroup("events failed inside", answer.faults)

    async def _answer(self, request: _Request, receive: Receive, on_admitted: Callable[[], None]) -> HttpAnswer:
        try:
            self._admit(request)
            on_admitted()
            mode = cloudevents.mode_of(request.content_type, has_attributes=bool(request.attributes))
            await self._read(request, receive)
            wait_s = prefer.wait_s(request.prefer, self._limits.wait_max_s)
            body = bytes(request.body)
            if mode == "batch":
                return await self._batch(request, cloudevents.read_batch(body, self._limits.batch_max), wait_s)
            if mode == "structured":
                envelope = cloudevents.read_structured(body)
            else:
                envelope = cloudevents.read_binary(request.attributes, body)
            if request.caller is not None:
                envelope = authorized(envelope, request.caller)
            taken = await self._submitter.take(envelope, wait_s or None)
            self._quotas.charge(request.sender, len(body), [taken])
            return self._single(taken, wait_s)
        except Refusal as refusal:
            # It is kept in the answer, and its traceback would keep the body with it until the collector comes.
            refusal.__traceback__ = None
            unreadable = refusal.reason in {"bad-json", "bad-cloudevent", "too-large", "wrong-media-type"}
            kept = await self._submitter.refuse(refusal, bytes(request.body[:1024]) if unreadable else None)
            answer = self._refused(refusal, kept)
            # Where the rest of a body is still to come, nothing else can follow on this connection.
            return answer if request.complete else replace(answer, headers=(*answer.headers, CLOSE))

    def _admit(self, request: _Request) -> None:
        """What is decided from the headers alone, before any of the body is waited for."""
        limits = self._limits
        credential = self._tokens.credential(request.authorization)
        caller = request.caller
        request.sender = sender_of(credential if caller is None else caller.name, request.scope)
        self._quotas.request(request.sender)
        if request.method != "POST":
            raise Refusal("wrong-method", "method", f"{request.method[:20]} is not served here; send POST")
        if self._tokens and credential is None and caller is None:
            raise Refusal("unauthorized", "Authorization", "no known bearer token; send Authorization: Bearer TOKEN")
        if self.stats.requests_open > limits.requests_max:
            raise Refusal("over-capacity", "request", "too many at once; send it again later")
        if request.coding not in {"", "identity"}:
            raise Refusal("wrong-media-type", "Content-Encoding", "compressed bodies are not served; send it plain")
        if request.length_bytes > limits.body_max_bytes:
            raise _too_large(limits.body_max_bytes)
        self._quotas.room(request.sender)

    async def _read(self, request: _Request, receive: Receive) -> None:
        limits = self._limits
        try:
            async with asyncio.timeout(limits.read_s):
                more = True
                while more:
                    message = await receive()
                    if message["type"] == "http.disconnect":
                        raise _ClientGone
                    chunk: bytes = message.get("body", b"")
                    if len(request.body) + len(chunk) > limits.body_max_bytes:
                        raise _too_large(limits.body_max_bytes)
                    if self._held_bytes + len(chunk) > limits.held_max_bytes:
                        raise Refusal("over-capacity", "body", "too much in hand already; send it again later")
                    request.body += chunk
                    self._held_bytes += len(chunk)
                    self.stats.bytes_in += len(chunk)
                    more = message.get("more_body", False)
                request.complete = True
        except TimeoutError:
            late = f"was not complete after {limits.read_s:g} s; send it again"
            raise Refusal("too-slow", "body", late) from None

    def _single(self, taken: Submission, wait_s: int | None) -> HttpAnswer:
        if taken.refusal is not None:
            return self._refused(taken.refusal, taken)
        return HttpAnswer(200, taken.members(), _applied(wait_s))

    async def _batch(self, request: _Request, items: Sequence[Envelope | BadItem], wait_s: int | None) -> HttpAnswer:
        """200 with a result each. Where one was not stored through our fault, its status is the whole answer's.

        Senders that look at the status alone then send all of it again, which costs nothing: the others are duplicates.
        """
        if request.caller is not None:
            items = [_authorized_item(item, request.caller) for item in items]
        taken = await self._submitter.take_all(items, wait_s or None)
        self._quotas.charge(request.sender, len(request.body), taken)
        results = [item_result(item, one) for item, one in zip(items, taken, strict=True)]
        worst = max(taken, key=lambda one: one.status, default=None)
        faults = tuple(one.fault for one in taken if one.fault is not None)
        if worst is None or worst.refusal is None or worst.status < 500:
            return HttpAnswer(200, {"results": results}, _applied(wait_s), faults=faults)
        answer = refusal_answer(worst.refusal, self._limits.retry_after_s)
        return replace(answer, members={**answer.members, "results": results}, faults=faults)

    def _refused(self, refusal: Refusal, taken: Submission) -> HttpAnswer:
        answer = refusal_answer(refusal, self._limits.retry_after_s)
        faults = (taken.fault,) if taken.fault is not None else ()
        return replace(answer, faults=faults)


def _nothing() -> None:
    return


def _authorized_item(item: Envelope | BadItem, caller: Caller) -> Envelope | BadItem:
    if isinstance(item, BadItem):
        return item
    try:
        return authorized(item, caller)
    except Refusal as refusal:
        return BadItem(refusal.with_traceback(None), item.source, item.id, None)


def _too_large(most_bytes: int) -> Refusal:
    return Refusal("too-large", "body", f"is more than {most_bytes} bytes long; send fewer events at once")


def _applied(wait_s: int | None) -> Headers:
    return () if wait_s is None else ((b"preference-applied", f"wait={wait_s}".encode()),)


def make_events(
    settings: HttpSettings, intake: Intake, clock: Clock, *, requests_max: int, tokens: Iterable[SecretStr]
) -> EventsEndpoint:
    """``tokens`` are those in the settings' ``token_files``."""
    limits = HttpLimits(
        body_max_bytes=settings.body_max_bytes,
        batch_max=settings.batch_max,
        read_s=settings.body_timeout.seconds,
        wait_max_s=int(settings.wait_max.seconds),
        requests_max=requests_max,
        quotas=QuotaLimits(settings.requests_per_s, settings.requests_burst, settings.day_max_bytes),
    )
    admitted = BearerTokens(token.get_secret_value() for token in tokens)
    return EventsEndpoint(intake, limits, clock=clock, tokens=admitted)
