"""A fault of ours while a question is answered: one log line says which, and whoever asked gets an answer.

Starlette's own way (``ServerErrorMiddleware``) raises it again after its handler, and the server logs it once more.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import structlog
from fastapi import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

UNKNOWN: Final = "no route"

log = structlog.get_logger("pagereeve.api")


class OneFault:
    """ASGI middleware. ``answered`` makes the answer, where none began."""

    def __init__(self, app: ASGIApp, answered: Callable[[Request], Response]) -> None:
        self._app = app
        self._answered = answered

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        started = False

        async def sending(message: Message) -> None:
            nonlocal started
            started = True
            await send(message)

        try:
            await self._app(scope, receive, sending)
        except Exception as error:
            if started:
                # Whoever asked must see that it is not whole: the server logs this one, and ends the connection.
                error.add_note(f"while {scope['method']} {route_of(scope)} was answered")
                raise
            log.exception(
                "a question failed through a fault of ours", method=scope["method"][:20], route=route_of(scope)
            )
            await self._answered(Request(scope))(scope, receive, send)


def route_of(scope: Scope) -> str:
    """The path as its route has it: what stands in its place may name a person, and so may the query."""
    found: Any = scope.get("route")
    return str(getattr(found, "path", UNKNOWN))
