"""What may be answered to a decision beside its answer: our own problems, and what the intake refuses."""

from __future__ import annotations

import json
from http import HTTPStatus
from typing import Any, Final

from fastapi import FastAPI, Request
from starlette.responses import Response

from pagereeve.console.api.problems import MEDIA_TYPE
from pagereeve.feeds.http.answers import refusal_answer
from pagereeve.feeds.refusals import Refusal

RETRY_AFTER_S: Final = 5
# RFC 9110 section 15, with RFC 6585 section 4 for 429.
_TITLES: Final = {
    HTTPStatus.BAD_REQUEST: "The body is not what is expected here",
    HTTPStatus.UNAUTHORIZED: "A credential is needed",
    HTTPStatus.FORBIDDEN: "Who asks may not do that",
    HTTPStatus.NOT_FOUND: "There is no such thing",
    HTTPStatus.REQUEST_TIMEOUT: "The body did not arrive in time",
    HTTPStatus.CONFLICT: "That can't be done as things stand, or the key was used for something else",
    HTTPStatus.REQUEST_ENTITY_TOO_LARGE: "The body is too large",
    HTTPStatus.UNSUPPORTED_MEDIA_TYPE: "The body is not JSON",
    HTTPStatus.TOO_MANY_REQUESTS: "Too many requests from one sender",
    HTTPStatus.SERVICE_UNAVAILABLE: "Nothing can be decided now; send it again later",
}


def deciding_responses() -> dict[int | str, dict[str, Any]]:
    """For OpenAPI."""
    schema = {"$ref": "#/components/schemas/Problem"}
    return {
        int(status): {"description": title, "content": {MEDIA_TYPE: {"schema": schema}}}
        for status, title in _TITLES.items()
    }


def handle_refusals(app: FastAPI) -> None:
    app.add_exception_handler(Refusal, _refused)


async def _refused(_: Request, error: Exception) -> Response:
    assert isinstance(error, Refusal)  # noqa: S101 - registered for it
    answer = refusal_answer(error, RETRY_AFTER_S)
    headers = {name.decode(): value.decode() for name, value in answer.headers}
    body = json.dumps(answer.members, ensure_ascii=False).encode(errors="backslashreplace")
    return Response(body, answer.status, {"Cache-Control": "no-store", **headers}, MEDIA_TYPE)
