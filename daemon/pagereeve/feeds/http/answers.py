"""An HTTP answer and its way out, in ASGI's terms."""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass
from typing import Any, Final

from pagereeve.feeds.refusals import HTTP_REASONS, Refusal, problem_of

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
AsgiApp = Callable[[Scope, Receive, Send], Awaitable[None]]
Header = tuple[bytes, bytes]
Headers = tuple[Header, ...]

_JSON: Final = b"application/json"
_PROBLEM: Final = b"application/problem+json"
CLOSE: Final = (b"connection", b"close")
# In the scope: to be called once a request of this connection was admitted. Not there under other servers than ours.
ON_ADMITTED: Final = "pagereeve.on_admitted"
# In the scope: the user at the other end of a local socket, and the Caller where the connection itself shows who asks.
LOCAL_UID: Final = "pagereeve.local_uid"
CALLER: Final = "pagereeve.caller"
# In the scope of a page: the Caller who may read it. Not there where nobody was asked.
READER: Final = "pagereeve.reader"
# In the scope: the names of the certificate that the client showed; () where it showed none.
CLIENT_NAMES: Final = "pagereeve.client_names"
# In the scope of a page: may whoever asks see details? Not there where nobody was asked (telemetry/pages.py).
DETAILED: Final = "pagereeve.detailed"
# Failures of a token that was shown (RFC 6750 section 3.1); a request that shows none is told no error.
_BAD_TOKENS: Final = frozenset({"unknown", "expired", "revoked"})


@dataclass(frozen=True, slots=True)
class HttpAnswer:
    status: int
    members: dict[str, Any]
    headers: Headers = ()
    is_problem: bool = False
    faults: tuple[Exception, ...] = ()


def refusal_answer(refusal: Refusal, retry_after_s: int, *more: Header) -> HttpAnswer:
    """The problem of a refusal, with the headers that its status asks for (RFC 9110 section 15) and ``more``."""
    headers: Headers = ()
    match refusal.reason:
        case "wrong-method":
            headers = ((b"allow", b"POST"),)
        case "unauthorized":
            error = ', error="invalid_token"' if refusal.cause in _BAD_TOKENS else ""
            headers = ((b"www-authenticate", f'Bearer realm="pagereeve"{error}'.encode()),)
        case "forbidden":
            scope = f', scope="{refusal.cause}"' if refusal.cause else ""
            challenge = f'Bearer realm="pagereeve", error="insufficient_scope"{scope}'
            headers = ((b"www-authenticate", challenge.encode()),)
        case "journal-unavailable" | "over-capacity" | "too-many-requests" | "over-quota":
            headers = ((b"retry-after", str(refusal.retry_after_s or retry_after_s).encode()),)
        case _:
            pass
    return HttpAnswer(HTTP_REASONS[refusal.reason][0], problem_of(refusal), (*headers, *more), is_problem=True)


async def send_answer(answer: HttpAnswer, send: Send) -> None:
    body = json.dumps(answer.members, separators=(",", ":")).encode()
    headers = [
        (b"content-type", _PROBLEM if answer.is_problem else _JSON),
        (b"content-length", str(len(body)).encode()),
        *answer.headers,
    ]
    await send({"type": "http.response.start", "status": answer.status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
