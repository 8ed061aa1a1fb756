"""What went wrong with a question, as an RFC 9457 problem: ``type`` is a closed set, ``where`` names the place."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from http import HTTPStatus
from typing import Any, Final, Literal

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel
from starlette.exceptions import HTTPException
from starlette.responses import Response

from pagereeve.console.api.allowed import allowed_at
from pagereeve.console.api.faults import OneFault
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.ports.closing import NotClosed
from pagereeve.ports.journal import HINDRANCES, JournalUnavailable

ProblemKind = Literal[
    "bad-parameter",
    "bad-body",
    "forbidden",
    "not-found",
    "conflict",
    "not-possible",
    "wrong-method",
    "not-acceptable",
    "over-capacity",
    "too-slow",
    "journal-unavailable",
    "internal",
]

# Kind: (HTTP status, title).
KINDS: Final[Mapping[ProblemKind, tuple[int, str]]] = {
    "bad-parameter": (400, "The question can't be answered as it was asked"),
    "bad-body": (400, "The body is not what is expected here"),
    "forbidden": (403, "Who asks may not do that"),
    "not-found": (404, "There is no such thing"),
    "conflict": (409, "It is so already, or something else came first"),
    "not-possible": (409, "That can't be done as things stand"),
    "wrong-method": (405, "That method is not served here"),
    "not-acceptable": (406, "None of the accepted forms is served here"),
    "over-capacity": (503, "Too many questions at once"),
    "too-slow": (503, "The question took too long"),
    "journal-unavailable": (503, "The journal can't be read now"),
    "internal": (500, "A fault of ours"),
}
RETRY_AFTER_S: Final = 2
DETAIL_MAX: Final = 400
WHERE_MAX: Final = 100
"""A place may be a name that whoever asks made up."""
ERRORS_MAX: Final = 20
MEDIA_TYPE: Final = "application/problem+json"
API_ROOT: Final = "/v1"


class WrongPart(BaseModel):
    where: str
    detail: str


class Problem(BaseModel):
    """RFC 9457, with ``where`` (the parameter), ``cause`` (the act that is lacking) and ``errors`` as extensions."""

    type: str
    title: str
    status: int
    detail: str
    where: str
    cause: str | None = None
    errors: list[WrongPart] | None = None


class ApiProblem(PagereeveError):
    """``where`` names the parameter or thing, ``problem`` says what is wrong and what to do."""

    def __init__(self, kind: ProblemKind, where: str, problem: str, cause: str | None = None) -> None:
        super().__init__(f"{where}: {problem}")
        self.kind: ProblemKind = kind
        self.where = where
        self.problem = problem
        self.cause = cause


ProblemPage = Callable[[Request, ApiProblem], Response]


def _answered(
    request: Request,
    problem: ApiProblem,
    errors: Sequence[WrongPart] = (),
    headers: Mapping[str, str] | None = None,
) -> Response:
    """For people, where they asked for a page; else for programs."""
    page_of: ProblemPage | None = request.app.state.problem_page
    path = request.url.path
    if page_of is None or path == API_ROOT or path.startswith(f"{API_ROOT}/"):
        return answer_of(problem, errors, headers)
    return page_of(request, problem)


def answer_of(
    problem: ApiProblem, errors: Sequence[WrongPart] = (), headers: Mapping[str, str] | None = None
) -> Response:
    status, title = KINDS[problem.kind]
    detail = str(problem)
    members: dict[str, Any] = {
        "type": f"urn:pagereeve:problem:{problem.kind}",
        "title": title,
        "status": status,
        "detail": detail if len(detail) <= DETAIL_MAX else f"{detail[:DETAIL_MAX]}…",
        "where": problem.where[:WHERE_MAX],
    }
    if problem.cause:
        members["cause"] = problem.cause
    if errors:
        members["errors"] = [one.model_dump() for one in errors]
    more = {"Retry-After": str(RETRY_AFTER_S)} if status == HTTPStatus.SERVICE_UNAVAILABLE else {}
    body = json.dumps(members, ensure_ascii=False).encode(errors="backslashreplace")
    return Response(body, status, {"Cache-Control": "no-store", **more, **(headers or {})}, MEDIA_TYPE)


def responses(*kinds: ProblemKind) -> dict[int | str, dict[str, Any]]:
    """For OpenAPI: what a question may be answered with beside its answer."""
    told: dict[int | str, dict[str, Any]] = {}
    for kind in ("bad-parameter", "forbidden", *kinds, "over-capacity"):
        status, title = KINDS[kind]
        schema = {"$ref": "#/components/schemas/Problem"}
        told[status] = {"description": title, "content": {MEDIA_TYPE: {"schema": schema}}}
    # Where credentials exist, the daemon answers 401 itself, and 429 to who asks too fast.
    for status, title in ((401, "A credential is needed"), (429, "Too many requests from one sender")):
        told[status] = {
            "description": title,
            "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}},
        }
    return told


def handle_problems(app: FastAPI, page_of: ProblemPage | None = None) -> None:
    """Each error becomes a problem, once, here; with ``page_of`` people who ask for a page get one."""
    app.state.problem_page = page_of
    app.add_exception_handler(ApiProblem, _problem)
    app.add_exception_handler(BadQuestion, _bad_question)
    app.add_exception_handler(RequestValidationError, _not_valid)
    app.add_exception_handler(JournalUnavailable, _unavailable)
    app.add_exception_handler(NotClosed, _not_as_closed)
    app.add_exception_handler(HTTPException, _of_framework)
    app.add_middleware(OneFault, answered=_fault)


async def _problem(request: Request, error: Exception) -> Response:
    assert isinstance(error, ApiProblem)  # noqa: S101 - registered for it
    return _answered(request, error)


async def _bad_question(request: Request, error: Exception) -> Response:
    assert isinstance(error, BadQuestion)  # noqa: S101 - registered for it
    return _answered(request, problem_of(error))


def problem_of(error: ApiProblem | BadQuestion | JournalUnavailable | NotClosed) -> ApiProblem:
    match error:
        case ApiProblem():
            return error
        case BadQuestion():
            # Its words are a command's, whose options bear the names of our parameters.
            where, problem = error.where.removeprefix("--"), error.problem.replace("--", "")
            return ApiProblem("bad-parameter", where, problem)
        case JournalUnavailable():
            return ApiProblem("journal-unavailable", "journal", f"{HINDRANCES[error.hindrance]}; ask again later")
        case NotClosed():
            # What was frozen is not there as it was: an answer from anything else would be another one.
            return ApiProblem("journal-unavailable", "period", str(error))


async def _not_valid(request: Request, error: Exception) -> Response:
    """All that is wrong, the first in ``detail``. What was sent is not repeated."""
    assert isinstance(error, RequestValidationError)  # noqa: S101 - registered for it
    found = [WrongPart(where=_place(one["loc"]), detail=str(one["msg"])) for one in error.errors()[:ERRORS_MAX]]
    in_body = any(one["loc"][:1] == ("body",) for one in error.errors())
    first = found[0] if found else WrongPart(where="request", detail="is not valid")
    problem = ApiProblem("bad-body" if in_body else "bad-parameter", first.where, first.detail)
    return _answered(request, problem, found if len(found) > 1 else ())


def _place(steps: Sequence[Any]) -> str:
    """Where it stands: the parameter's name, without the framework's own first word."""
    return (".".join(str(one) for one in steps[1:]) or str(steps[0] if steps else "request"))[:WHERE_MAX]


async def _unavailable(request: Request, error: Exception) -> Response:
    assert isinstance(error, JournalUnavailable)  # noqa: S101 - registered for it
    return _answered(request, problem_of(error))


async def _not_as_closed(_: Request, error: Exception) -> Response:
    assert isinstance(error, NotClosed)  # noqa: S101 - registered for it
    return answer_of(problem_of(error))


async def _of_framework(request: Request, error: Exception) -> Response:
    """Starlette's own: no such path, no such method."""
    assert isinstance(error, HTTPException)  # noqa: S101 - registered for it
    headers = dict(error.headers or {})
    if error.status_code == HTTPStatus.METHOD_NOT_ALLOWED:
        allowed = headers["Allow"] = allowed_at(request) or headers.get("Allow", "")
        return _answered(
            request, ApiProblem("wrong-method", "method", f"is not served here; send {allowed}"), (), headers
        )
    if error.status_code == HTTPStatus.NOT_FOUND:
        path = request.url.path[:80]
        return _answered(
            request, ApiProblem("not-found", path, "nothing is served here; /v1/openapi.json says what is")
        )
    return _answered(request, ApiProblem("bad-parameter", "request", str(error.detail)))


def fault() -> ApiProblem:
    return ApiProblem("internal", "question", "failed through no fault of yours; the log says why")


def _fault(request: Request) -> Response:
    return _answered(request, fault())
