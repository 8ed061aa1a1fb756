"""``/sign-in``: who are you? The daemon itself answers what the form sends (app/sign_in.py)."""

from __future__ import annotations

import shlex
from http import HTTPStatus
from typing import Annotated, Final
from urllib.parse import unquote, urlencode

from fastapi import APIRouter, Query, Request
from starlette.responses import HTMLResponse

from pagereeve.console.api.asker import BY_ADDRESS, LEFT_HEADER, STRANGER_HEADER, Asking
from pagereeve.console.api.context import Context
from pagereeve.console.pages.shell import page
from pagereeve.console.sign_in.requests import SIGN_IN, own_path

router = APIRouter(include_in_schema=False)

TEXT_MAX: Final = 8_000


@router.get(SIGN_IN)
async def sign_in(
    context: Context,
    asker: Asking,
    request: Request,
    then: Annotated[str, Query(max_length=TEXT_MAX)] = "",
    failed: Annotated[str, Query(max_length=TEXT_MAX)] = "",
    out: Annotated[str, Query(max_length=TEXT_MAX)] = "",
) -> HTMLResponse:
    subject = unquote(request.headers.get(STRANGER_HEADER, ""))
    back = own_path(then)
    start = context.site.provider_start
    return page(
        "sign_in.html",
        asker,
        context.site.zone,
        "",
        status=HTTPStatus.FORBIDDEN if subject else HTTPStatus.OK,
        then=back,
        failed=failed,
        left=request.headers.get(LEFT_HEADER, "") or (out if out in BY_ADDRESS else ""),
        provider=context.site.provider,
        start=f"{start}?{urlencode({'then': back})}" if start else "",
        subject=subject,
        quoted=shlex.quote(subject),
    )
