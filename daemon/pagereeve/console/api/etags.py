"""Entity tags (RFC 9110 section 8.8.3): an answer that is still the same is not sent again."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Coroutine
from http import HTTPStatus
from typing import Any, Final

from fastapi import Request
from fastapi.routing import APIRoute
from starlette.responses import Response, StreamingResponse

# An answer may be kept, and must be asked for again: what was true a second ago may not be.
CACHED: Final = "private, no-cache"


class TaggedRoute(APIRoute):
    """Its answers have a strong tag, made of their bytes; one that the asker has already is answered 304."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        handle = super().get_route_handler()

        async def tagged(request: Request) -> Response:
            answer = await handle(request)
            if answer.status_code != HTTPStatus.OK or isinstance(answer, StreamingResponse):
                return answer
            tag = f'"{hashlib.sha256(answer.body).hexdigest()[:32]}"'
            headers = {"ETag": tag, "Cache-Control": CACHED, "Vary": "Authorization"}
            if matches(request.headers.get("if-none-match", ""), tag):
                return Response(status_code=HTTPStatus.NOT_MODIFIED, headers=headers)
            answer.headers.update(headers)
            return answer

        return tagged


def matches(if_none_match: str, tag: str) -> bool:
    """RFC 9110 section 13.1.2: compared weakly; ``*`` is any."""
    told = [one.strip().removeprefix("W/") for one in if_none_match.split(",")]
    return tag in told or told == ["*"]
