"""Whose request it is, for what the daemon itself does at one."""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends, Request

from pagereeve.domain.credentials.callers import Caller
from pagereeve.feeds.http.answers import READER


def _caller(request: Request) -> Caller:
    """Whoever passed the request on has put it into the scope."""
    caller: Caller = request.scope[READER]
    return caller


Holder = Annotated[Caller, Depends(_caller)]
