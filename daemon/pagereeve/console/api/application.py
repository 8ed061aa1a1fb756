"""The query API as one ASGI application: its resources, and what OpenAPI says of them."""

from __future__ import annotations

import json
from collections.abc import Sequence
from functools import cache
from typing import Any, Final

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from starlette.routing import BaseRoute

from pagereeve.console.api.allowed import put_methods
from pagereeve.console.api.checking import routes as checking
from pagereeve.console.api.context import ApiContext, put_context
from pagereeve.console.api.deciding import routes as deciding
from pagereeve.console.api.examples import put_examples
from pagereeve.console.api.problems import Problem, ProblemPage, handle_problems
from pagereeve.console.api.resources import (
    changes,
    costs,
    decisions,
    evidence,
    exports,
    findings,
    health,
    losses,
    meters,
    periods,
    release,
    releases,
    schemas,
    statement_files,
    statements,
    totals,
)

PREFIX: Final = "/v1"
OPENAPI_PATH: Final = "/v1/openapi.json"
VERSION: Final = "1.0"
"""Of the API, not of the program: grows with what is added; what is there stays as long as the path says /v1."""
ROUTERS: Final = (
    *(releases.router, release.router, evidence.router),
    *(findings.router, decisions.router, meters.router, health.router, changes.router),
    *(totals.router, exports.router, losses.router, costs.router, statements.router, periods.router),
    statement_files.router,
    schemas.router,
    deciding.router,
    checking.router,
)
DESCRIPTION: Final = """What Pagereeve knows, as the commands say it: JSON names, units and codes are those of
`pagereeve docs commands`. Ask with a credential that has the act `read`; whose releases they were is shown to one that
has the act `names` too. Texts for people may be worded otherwise in any version: never parse them."""


def make_api(context: ApiContext, page_of: ProblemPage | None = None) -> FastAPI:
    """``page_of`` makes a page of a problem for people who ask for one."""
    app = _bare()
    app.router.routes.extend(_resources())
    put_context(app, context)
    handle_problems(app, page_of)
    put_methods(app, PREFIX, ROUTERS)
    app.add_api_route(OPENAPI_PATH, _openapi, include_in_schema=False)
    return app


async def _openapi() -> dict[str, Any]:
    return _document()


def api_document() -> bytes:
    """What is served as OPENAPI_PATH, to be read by people too. The same for the same program."""
    return (json.dumps(openapi_of(_with_resources()), indent=2, ensure_ascii=False) + "\n").encode()


@cache
def _document() -> dict[str, Any]:
    """Made when it is first asked for: it takes longer than all else at a start."""
    return openapi_of(_with_resources())


@cache
def _resources() -> Sequence[BaseRoute]:
    """They hold nothing of an application: what they answer by comes with each request."""
    return _with_resources().routes


def _with_resources() -> FastAPI:
    app = _bare()
    for router in ROUTERS:
        app.include_router(router, prefix=PREFIX)
    return app


def _bare() -> FastAPI:
    return FastAPI(
        title="Pagereeve",
        version=VERSION,
        openapi_url=None,
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        generate_unique_id_function=lambda route: route.name,
    )


def openapi_of(app: FastAPI) -> dict[str, Any]:
    """The OpenAPI 3.1 document of what is served."""
    document = get_openapi(title=app.title, version=app.version, description=DESCRIPTION, routes=app.routes)
    parts = document.setdefault("components", {})
    schemas = parts.setdefault("schemas", {})
    problem = Problem.model_json_schema(ref_template="#/components/schemas/{model}")
    schemas.update(problem.pop("$defs", {}))
    schemas["Problem"] = problem
    for name in ("HTTPValidationError", "ValidationError"):  # we answer 400, with a problem
        schemas.pop(name, None)
    for path in document["paths"].values():
        for operation in path.values():
            operation["responses"].pop("422", None)
    put_examples(document)
    parts["securitySchemes"] = {"token": {"type": "http", "scheme": "bearer"}}
    document["security"] = [{"token": []}, {}]
    return document
