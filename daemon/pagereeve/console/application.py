"""Pages and the API as one ASGI application."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Final

from fastapi import APIRouter, FastAPI, Request
from starlette.responses import Response
from starlette.routing import BaseRoute

from pagereeve.console.api.application import make_api
from pagereeve.console.api.asker import asker_of
from pagereeve.console.api.context import ApiContext
from pagereeve.console.api.problems import KINDS, ApiProblem
from pagereeve.console.pages import (
    accounts,
    closing,
    decisions,
    downloads,
    finding,
    findings,
    installation,
    now,
    period,
    printer,
    printers,
    release,
    releases,
    sign_in,
    statement,
    static_files,
    what_if,
    words,
)
from pagereeve.console.pages.shell import page

PAGES: Final = (
    now.router,
    printers.router,
    printer.router,
    releases.router,
    release.router,
    findings.router,
    finding.router,
    what_if.router,
    accounts.router,
    closing.router,
    decisions.router,
    downloads.router,
    period.router,
    statement.router,
    installation.router,
    words.router,
    sign_in.router,
    static_files.router,
)


def make_console(context: ApiContext) -> FastAPI:
    def problem_page(request: Request, problem: ApiProblem) -> Response:
        status, title = KINDS[problem.kind]
        asker = asker_of(request)
        return page("problem.html", asker, context.site.zone, "", status=status, problem=problem, title=title)

    app = make_api(context, problem_page)
    app.router.routes.extend(_pages())
    return app


@cache
def _pages() -> Sequence[BaseRoute]:
    made = APIRouter()
    for router in PAGES:
        made.include_router(router)
    return made.routes
