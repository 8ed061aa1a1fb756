"""The question that the daemon answers itself, as nobody else knows: how it fares."""

from __future__ import annotations

from typing import Final

from pagereeve.console.api.application import PREFIX
from pagereeve.console.api.resources.health import PATH, make_health
from pagereeve.feeds.http.answers import AsgiApp, Receive, Scope, Send
from pagereeve.ports.telemetry import Readiness

HEALTH_PATH: Final = f"{PREFIX}{PATH}"


def with_health(questions: AsgiApp, readiness: Readiness) -> AsgiApp:
    """``questions``, and before them that one. What is no GET of it, the query process refuses."""
    health = make_health(readiness, PREFIX)

    async def dispatch(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["path"] == HEALTH_PATH and scope["method"] in {"GET", "HEAD"}:
            # The server leaves the body of a HEAD out (RFC 9110 section 9.3.2).
            await health({**scope, "method": "GET"}, receive, send)
        else:
            await questions(scope, receive, send)

    return dispatch
