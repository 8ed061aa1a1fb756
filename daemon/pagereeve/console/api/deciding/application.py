"""Decisions as an ASGI application of their own, for the daemon; the questions' application describes them."""

from __future__ import annotations

from fastapi import FastAPI

from pagereeve.console.api.deciding.port import Deciding
from pagereeve.console.api.deciding.problems import handle_refusals
from pagereeve.console.api.deciding.routes import put_deciding, router
from pagereeve.console.api.problems import handle_problems


def make_deciding(deciding: Deciding, prefix: str) -> FastAPI:
    """Whoever passes a request on has put its Caller into the scope (feeds.http.answers.READER)."""
    app = FastAPI(openapi_url=None, docs_url=None, redoc_url=None, redirect_slashes=False)
    put_deciding(app, deciding)
    handle_problems(app)
    handle_refusals(app)
    app.include_router(router, prefix=prefix)
    return app
