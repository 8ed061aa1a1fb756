"""``/static``: styles and scripts, kept for good by browsers, since their addresses hold their digests."""

from __future__ import annotations

from typing import Final

from fastapi import APIRouter
from starlette.responses import Response

from pagereeve.console.api.problems import ApiProblem
from pagereeve.console.pages.shell import STATIC, static_files

TYPES: Final = {"css": "text/css; charset=utf-8", "js": "text/javascript; charset=utf-8", "svg": "image/svg+xml"}
KEPT: Final = {"Cache-Control": "public, max-age=31536000, immutable", "X-Content-Type-Options": "nosniff"}

router = APIRouter(include_in_schema=False)


@router.get(f"{STATIC}/{{name}}")
async def static_file(name: str) -> Response:
    content = static_files().get(name)
    if content is None:
        raise ApiProblem("not-found", "static file", "there is none of that name")
    return Response(content, headers=KEPT, media_type=TYPES[name.rsplit(".", 1)[-1]])
