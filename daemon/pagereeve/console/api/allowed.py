"""Which methods a path has, of all its routes (RFC 9110 section 10.2.1): the framework names those of the first."""

from __future__ import annotations

import re
from collections.abc import Iterable

from fastapi import APIRouter, FastAPI, Request
from starlette.routing import Route, compile_path


def put_methods(app: FastAPI, prefix: str, routers: Iterable[APIRouter]) -> None:
    app.state.methods = [
        (compile_path(f"{prefix}{route.path}")[0], sorted(route.methods or ()))
        for router in routers
        for route in router.routes
        if isinstance(route, Route)
    ]


def allowed_at(request: Request) -> str:
    """As an Allow header has it; "" where nothing is known of the path."""
    known: list[tuple[re.Pattern[str], list[str]]] = getattr(request.app.state, "methods", [])
    found = {method for path, methods in known if path.match(request.url.path) for method in methods}
    return ", ".join(sorted(found))
