"""``POST /v1/forward``: who forwards, how much and how fast, and each answer after the commit."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from pagereeve.app.api_admission import admitted
from pagereeve.app.request_body import read_body
from pagereeve.app.sites.answers import members_of, refused_members
from pagereeve.app.sites.joining import SiteFacts
from pagereeve.domain.forwarding.batch import BATCH_MAX_BYTES
from pagereeve.domain.forwarding.refusal import BatchRefused, Cause
from pagereeve.feeds.http.answers import (
    CLOSE,
    AsgiApp,
    HttpAnswer,
    Receive,
    Scope,
    Send,
    refusal_answer,
    send_answer,
)
from pagereeve.feeds.http.endpoint import EventsEndpoint
from pagereeve.feeds.http.quotas import ROW_BYTES, sender_of
from pagereeve.feeds.refusals import Refusal
from pagereeve.ports.journal import HINDRANCES, JournalUnavailable

FORWARD_PATH: Final = "/v1/forward"
CONTENT_TYPE: Final = b"application/jsonl"
# Of all sites: each may be as large as a batch can be, and its facts are in memory twice.
AT_ONCE: Final = 4
RETRY_AFTER_S: Final = 5
_STATUS: Final[Mapping[Cause, int]] = {
    "malformed": 400,
    "wrong-origin": 403,
    "name-taken": 409,
    "gap": 409,
    "fork": 409,
    "too-large": 413,
    "unknown-version": 422,
    "broken-link": 422,
    "unknown-fact": 422,
}


class ForwardDoor:
    """``events`` is the endpoint beside it: they share who is known, what a sender may ask for, and the counters.

    The credential's name is the site's: nobody forwards for another.
    """

    def __init__(self, facts: SiteFacts, events: EventsEndpoint, body_s: float) -> None:
        self._facts = facts
        self._events = events
        self._body_s = body_s
        # A batch of the same site may come through a broker, too.
        self._under_way = facts.under_way

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            answer = await self._answer(scope, receive)
        except Refusal as refusal:
            self._events.stats.refused[refusal.reason] += 1
            answer = refusal_answer(refusal.let_go(), RETRY_AFTER_S, CLOSE)
        await send_answer(answer, send)

    async def _answer(self, scope: Scope, receive: Receive) -> HttpAnswer:
        """Raises Refusal."""
        site = admitted(scope, self._events, "forward", "facts of a site").name
        self._admit(scope, site)
        self._under_way.add(site)
        try:
            body = await read_body(receive, BATCH_MAX_BYTES, self._body_s)
            answer, new = await self._facts.join(body, site)
        except BatchRefused as refused:
            return _problem(refused)
        except JournalUnavailable as error:
            problem = f"{HINDRANCES[error.hindrance]}; nothing was stored; send it again later"
            raise Refusal("journal-unavailable", "journal", problem, error.hindrance) from error
        finally:
            self._under_way.discard(site)
        if new:
            self._events.quotas.stored(sender_of(site, scope), len(body) + new * ROW_BYTES)
        return HttpAnswer(200, members_of(answer))

    def _admit(self, scope: Scope, site: str) -> None:
        """From the head alone, before any of the body is waited for. Raises Refusal."""
        if scope["method"] != "POST":
            raise Refusal("wrong-method", "method", f"{scope['method'][:20]} is not served here; send POST")
        headers = dict(scope["headers"])
        if headers.get(b"content-type", b"").partition(b";")[0].strip().lower() != CONTENT_TYPE:
            raise Refusal("wrong-media-type", "Content-Type", f"is not served here; send {CONTENT_TYPE.decode()}")
        if headers.get(b"content-encoding", b"identity").strip().lower() != b"identity":
            raise Refusal("wrong-media-type", "Content-Encoding", "compressed bodies are not served; send it plain")
        length = headers.get(b"content-length", b"0")
        if len(length) > len(str(BATCH_MAX_BYTES)) or not length.isdigit() or int(length) > BATCH_MAX_BYTES:
            raise Refusal("too-large", "body", f"is more than {BATCH_MAX_BYTES} bytes long; send fewer facts at once")
        if (put_off := self._events.put_off()) is not None:
            raise put_off.refusal()
        if site in self._under_way or len(self._under_way) >= AT_ONCE:
            raise Refusal("over-capacity", "request", "another batch is under way; send it again later")
        self._events.quotas.room(sender_of(site, scope))


def _problem(refused: BatchRefused) -> HttpAnswer:
    """An RFC 9457 problem; ``cause``, ``has`` and ``place`` are our extensions (its section 3.2)."""
    status = _STATUS[refused.cause]
    members: dict[str, Any] = {
        "type": f"urn:pagereeve:problem:forward-{refused.cause}",
        "title": "Nothing of the batch was joined",
        "status": status,
        **refused_members(refused),
    }
    return HttpAnswer(status, members, is_problem=True)


def with_forwarding(web: AsgiApp, door: ForwardDoor) -> AsgiApp:
    """``web``, and before it what is forwarded: a credential that forwards need not have the act read."""

    async def dispatch(scope: Scope, receive: Receive, send: Send) -> None:
        is_forward = scope["type"] == "http" and scope["path"] == FORWARD_PATH
        await (door if is_forward else web)(scope, receive, send)

    return dispatch
