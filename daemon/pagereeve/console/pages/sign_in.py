"""``/sign-in``: who are you? The daemon itself answers what the form sends (app/sign_in.py)."""

from __future__ import annotations

from typing import Annotated, Final

from fastapi import APIRouter, Query
from starlette.responses import HTMLResponse

from pagereeve.console.api.asker import Asking
from pagereeve.console.api.context import Context
from pagereeve.console.pages.shell import page
from pagereeve.console.sign_in.requests import SIGN_IN, own_path

router = APIRouter(include_in_schema=False)

TEXT_MAX: Final = 8_000


@router.get(SIGN_IN)
async def sign_in(
    context: Context,
    asker: Asking,
    then: Annotated[str, Query(max_length=TEXT_MAX)] = "",
    failed: Annotated[str, Query(max_length=TEXT_MAX)] = "",
) -> HTMLResponse:
    return page("sign_in.html", asker, context.site.zone, "", then=own_path(then), failed=failed)
