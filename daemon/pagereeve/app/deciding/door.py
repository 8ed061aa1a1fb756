"""``POST`` of decisions at the daemon's endpoints: who asks, how much and how fast, before a framework sees a body."""

from __future__ import annotations

import asyncio
import re
from typing import Final

from pagereeve.app.api_admission import admitted
from pagereeve.app.deciding.form_fields import FORM_TYPE
from pagereeve.app.deciding.forms import Forms, posts_form, require_proven
from pagereeve.app.request_body import read_body
from pagereeve.app.see_other import see_other
from pagereeve.console.api.application import PREFIX
from pagereeve.domain.credentials.callers import Caller
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.plain_text import require_plain_members
from pagereeve.feeds.http.answers import (
    CLOSE,
    READER,
    AsgiApp,
    Message,
    Receive,
    Scope,
    Send,
    refusal_answer,
    send_answer,
)
from pagereeve.feeds.http.endpoint import EventsEndpoint
from pagereeve.feeds.http.quotas import sender_of
from pagereeve.feeds.http.strict_json import parse
from pagereeve.feeds.refusals import Refusal

_PATHS: Final = re.compile(rf"{PREFIX}/(?:decisions|decisions/[^/]+/undo|findings/[^/]+/decision|periods/[^/]+/close)")
BODY_MAX_BYTES: Final = 16_384
BODY_S: Final = 10.0
AT_ONCE: Final = 64
RETRY_AFTER_S: Final = 5


def decides(scope: Scope) -> bool:
    """Is it a request for a decision? What else is sent to these paths is a question, or refused as one."""
    if scope["type"] != "http" or scope["method"] != "POST":
        return False
    return posts_form(scope) or _PATHS.fullmatch(scope["path"]) is not None


class DecisionDoor:
    """``events`` is the endpoint beside it: they share who is known, what a sender may ask for, and the counters."""

    def __init__(self, decisions: AsgiApp, events: EventsEndpoint, forms: Forms) -> None:
        self._decisions = decisions
        self._forms = forms
        self._events = events
        self._under_way = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        self._under_way += 1
        try:
            is_form = posts_form(scope)
            if is_form:
                require_proven(scope)
            caller = self._admitted(scope)
            body = await (_form_body(scope, receive) if is_form else self._body(scope, receive))
        except Refusal as refusal:
            self._events.stats.refused[refusal.reason] += 1
            await send_answer(refusal_answer(refusal.let_go(), RETRY_AFTER_S, CLOSE), send)
            return
        else:
            if is_form:
                await see_other(send, await self._forms.address_after(scope["path"], body, caller))
                return
            await self._decisions({**scope, READER: caller}, _received(body), send)
        finally:
            self._under_way -= 1

    def _admitted(self, scope: Scope) -> Caller:
        """From the head alone. Raises Refusal."""
        found = admitted(scope, self._events, "decide", "decisions")
        if self._under_way > AT_ONCE:
            raise Refusal("over-capacity", "request", "too many decisions at once; send it again later")
        self._events.quotas.room(sender_of(found.name, scope))
        return found

    async def _body(self, scope: Scope, receive: Receive) -> bytes:
        _require_kind(scope, "application/json")
        body = await read_body(receive, BODY_MAX_BYTES, BODY_S)
        try:
            require_plain_members(parse(body, size_max_bytes=BODY_MAX_BYTES), "body")
        except BadFact as error:
            raise Refusal("bad-json", error.where, error.problem) from None
        return body


async def _form_body(scope: Scope, receive: Receive) -> bytes:
    _require_kind(scope, FORM_TYPE)
    return await read_body(receive, BODY_MAX_BYTES, BODY_S)


def _require_kind(scope: Scope, wanted: str) -> None:
    headers = dict(scope["headers"])
    kind = headers.get(b"content-type", b"").decode("latin-1").partition(";")[0].strip().lower()
    if kind != wanted:
        raise Refusal("wrong-media-type", "Content-Type", f"is not served here; send {wanted}")
    if headers.get(b"content-encoding", b"identity").strip().lower() != b"identity":
        raise Refusal("wrong-media-type", "Content-Encoding", "compressed bodies are not served; send it plain")


def with_decisions(web: AsgiApp, door: DecisionDoor) -> AsgiApp:
    """``web``, and before it what is decided: a credential that decides need not have the act read."""

    async def dispatch(scope: Scope, receive: Receive, send: Send) -> None:
        await (door if decides(scope) else web)(scope, receive, send)

    return dispatch


def _received(body: bytes) -> Receive:
    """The body once more; after it nothing comes."""
    messages: list[Message] = [{"type": "http.request", "body": body, "more_body": False}]

    async def receive() -> Message:
        if messages:
            return messages.pop()
        await asyncio.Event().wait()
        raise AssertionError("never set")  # pragma: no cover

    return receive
