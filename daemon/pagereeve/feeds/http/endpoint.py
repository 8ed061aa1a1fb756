"""``POST /v1/events`` as a bare ASGI endpoint: CloudEvents in, an answer once they are durable."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from pagereeve.domain.credentials.callers import ANYBODY
from pagereeve.domain.credentials.signatures import Signed
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.feeds.http import cloudevents, prefer
from pagereeve.feeds.http.answers import (
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
from pagereeve.feeds.http.callers import HttpCallers
from pagereeve.feeds.http.quotas import QuotaLimits, SenderQuotas, sender_of
from pagereeve.feeds.http.release_link import release_link, release_path
from pagereeve.feeds.http.settings import HttpSettings
from pagereeve.feeds.refusals import BadItem, PutOff, Refusal
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


# A signed body is hashed once for each signer, while everybody waits.
SIGNED_MAX_BYTES: Final = 1024 * 1024


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
        self.caller = ANYBODY
        self.signed: Signed | None = None
        self.attributes: list[tuple[str, str]] = []
        self.prefer: list[str] = []
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
        callers: HttpCallers | None = None,
        stats: FeedStats | None = None,
        put_off: Callable[[], PutOff | None] = lambda: None,
    ) -> None:
        """``put_off``: None, or why a sender that can wait is to come again, and when."""
        self.stats = stats or FeedStats()
        self._limits = limits or HttpLimits()
        self.stats.requests_max = self._limits.requests_max
        self._clock = clock
        self.put_off = put_off
        self.callers = callers or HttpCallers(clock.now_us)
        self.stats.attempts_failed = self.callers.failures
        self.quotas = SenderQuotas(self._limits.quotas, clock)
        self._held_bytes = 0
        self.submitter = Submitter(
            intake, feed, self.stats, answer_s=self._limits.answer_s, at_once=self._limits.batch_at_once
        )

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
            if request.signed is None:
                on_admitted()
            mode = cloudevents.mode_of(request.content_type, has_attributes=bool(request.attributes))
            await self._read(request, receive)
            waiting = prefer.waiting(request.prefer, self._limits.wait_max_s)
            body = bytes(request.body)
            if request.signed is not None:
                self._admit_signed(request, request.signed, body, mode)
                on_admitted()
            if mode == "batch":
                return await self._batch(request, cloudevents.read_batch(body, self._limits.batch_max), waiting)
            if mode == "structured":
                envelope = cloudevents.read_structured(body)
            else:
                envelope = cloudevents.read_binary(request.attributes, body)
            taken = await self.submitter.take(envelope, waiting.seconds or None, request.caller, rest=waiting.rest)
            self.quotas.charge(request.sender, len(body), [taken])
            return self._single(envelope, taken, waiting)
        except Refusal as refusal:
            refusal.let_go()
            unreadable = refusal.reason in {"bad-json", "bad-cloudevent", "too-large", "wrong-media-type"}
            kept = await self.submitter.refuse(refusal, bytes(request.body[:1024]) if unreadable else None)
            answer = self._refused(refusal, kept)
            # Where the rest of a body is still to come, nothing else can follow on this connection.
            return answer if request.complete else replace(answer, headers=(*answer.headers, CLOSE))

    def _admit(self, request: _Request) -> None:
        """What is decided from the headers alone, before any of the body is waited for."""
        limits = self._limits
        found = self._found(request)
        request.sender = sender_of("" if isinstance(found, Refusal) else request.caller.name, request.scope)
        self.quotas.request(request.sender)
        if request.method != "POST":
            raise Refusal("wrong-method", "method", f"{request.method[:20]} is not served here; send POST")
        if found is not None:
            raise found
        is_full, put_off = self.stats.requests_open > limits.requests_max, self.put_off()
        if put_off is not None and not (is_full or self._waits(request)):
            # Before its body is read: what waits in memory is what must not grow. Gated notices keep their place.
            raise put_off.refusal()
        if is_full:
            # They are so many because the journal stores none of them, where it says so.
            too_many = Refusal("over-capacity", "request", "too many at once; send it again later")
            raise too_many if put_off is None or put_off.hindrance is None else put_off.refusal()
        if request.coding not in {"", "identity"}:
            raise Refusal("wrong-media-type", "Content-Encoding", "compressed bodies are not served; send it plain")
        if request.length_bytes > self._most_bytes(request):
            raise _too_large(self._most_bytes(request))
        self.quotas.room(request.sender)

    def _waits(self, request: _Request) -> bool:
        """A person's job is held until this is answered."""
        return bool(prefer.waiting(request.prefer, self._limits.wait_max_s).seconds)

    def _found(self, request: _Request) -> Refusal | None:
        """Why the head shows nobody who is known. What must wait for the body is kept in ``request.signed``."""
        try:
            found = self.callers.of_head(request.scope)
        except Refusal as refusal:
            return refusal.let_go()
        if isinstance(found, Signed):
            request.signed = found
        else:
            request.caller = found
        return None

    def _most_bytes(self, request: _Request) -> int:
        most_bytes = self._limits.body_max_bytes
        return most_bytes if request.signed is None else min(most_bytes, SIGNED_MAX_BYTES)

    def _admit_signed(self, request: _Request, signed: Signed, body: bytes, mode: cloudevents.Mode) -> None:
        """From here on the sender is a credential. Whoever signs wrongly pays for what was hashed in vain."""
        if mode == "binary":
            problem = "what is signed is the body alone, and not the ce-* headers; send a structured event or a batch"
            raise Refusal("wrong-media-type", "Content-Type", problem)
        try:
            request.caller = self.callers.of_body(signed, body)
        except Refusal:
            self.quotas.failed(request.sender, len(body) * self.callers.book.signers)
            raise
        request.sender = sender_of(request.caller.name, request.scope)
        self.quotas.request(request.sender)
        self.quotas.room(request.sender)

    async def _read(self, request: _Request, receive: Receive) -> None:
        limits, most_bytes = self._limits, self._most_bytes(request)
        try:
            async with asyncio.timeout(limits.read_s):
                more = True
                while more:
                    message = await receive()
                    if message["type"] == "http.disconnect":
                        raise _ClientGone
                    chunk: bytes = message.get("body", b"")
                    if len(request.body) + len(chunk) > most_bytes:
                        raise _too_large(most_bytes)
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

    def _single(self, envelope: Envelope, taken: Submission, waiting: prefer.Waiting) -> HttpAnswer:
        if taken.refusal is not None:
            return self._refused(taken.refusal, taken)
        return HttpAnswer(200, taken.members(), (*_applied(waiting), *release_link(envelope, taken)))

    async def _batch(
        self, request: _Request, items: Sequence[Envelope | BadItem], waiting: prefer.Waiting
    ) -> HttpAnswer:
        """200 with a result each. Where one was not stored through our fault, its status is the whole answer's.

        Senders that look at the status alone then send all of it again, which costs nothing: the others are duplicates.
        Nobody waits for rest here: the answer comes for all at once, and each would wait for one that waits itself.
        """
        waiting = replace(waiting, rest=False)
        taken = await self.submitter.take_all(items, waiting.seconds or None, request.caller)
        self.quotas.charge(request.sender, len(request.body), taken)
        results = [_result(item, one) for item, one in zip(items, taken, strict=True)]
        worst = max(taken, key=lambda one: one.status, default=None)
        faults = tuple(one.fault for one in taken if one.fault is not None)
        if worst is None or worst.refusal is None or worst.status < 500:
            return HttpAnswer(200, {"results": results}, _applied(waiting), faults=faults)
        answer = refusal_answer(worst.refusal, self._limits.retry_after_s)
        return replace(answer, members={**answer.members, "results": results}, faults=faults)

    def _refused(self, refusal: Refusal, taken: Submission) -> HttpAnswer:
        answer = refusal_answer(refusal, self._limits.retry_after_s)
        faults = (taken.fault,) if taken.fault is not None else ()
        return replace(answer, faults=faults)


def _result(item: Envelope | BadItem, taken: Submission) -> dict[str, Any]:
    """An answer has one Link header, so the links of a batch are members."""
    path = "" if isinstance(item, BadItem) else release_path(item, taken)
    return {**item_result(item, taken), **({"link": path} if path else {})}


def _nothing() -> None:
    return


def _too_large(most_bytes: int) -> Refusal:
    return Refusal("too-large", "body", f"is more than {most_bytes} bytes long; send fewer events at once")


def _applied(waiting: prefer.Waiting) -> Headers:
    applied = waiting.applied()
    return () if applied is None else ((b"preference-applied", applied.encode()),)


def make_events(
    settings: HttpSettings,
    intake: Intake,
    clock: Clock,
    *,
    requests_max: int,
    callers: HttpCallers,
    put_off: Callable[[], PutOff | None] = lambda: None,
) -> EventsEndpoint:
    limits = HttpLimits(
        body_max_bytes=settings.body_max_bytes,
        batch_max=settings.batch_max,
        read_s=settings.body_timeout.seconds,
        wait_max_s=int(settings.wait_max.seconds),
        requests_max=requests_max,
        quotas=QuotaLimits(settings.requests_per_s, settings.requests_burst, settings.day_max_bytes),
    )
    return EventsEndpoint(intake, limits, clock=clock, callers=callers, put_off=put_off)
