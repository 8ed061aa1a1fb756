"""The period that the daemon closes, or did not close: it alone knows, and says so in a header of its own."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Annotated, Final
from urllib.parse import quote, unquote

from fastapi import Depends, Request

CLOSING_HEADER: Final = "pagereeve-closing"
PROBLEM_MAX: Final = 1_000


@dataclass(frozen=True, slots=True)
class ClosingTold:
    """``problem``: why it was not closed; "" while it is under way."""

    period: str
    since_us: int
    problem: str = ""

    def to_header(self) -> tuple[bytes, bytes]:
        members = [self.period, self.since_us, self.problem[:PROBLEM_MAX]]
        return CLOSING_HEADER.encode(), quote(json.dumps(members)).encode()


def _told(request: Request) -> ClosingTold | None:
    value = request.headers.get(CLOSING_HEADER)
    return None if value is None else ClosingTold(*json.loads(unquote(value)))


Closing = Annotated[ClosingTold | None, Depends(_told)]
