"""Pages of a long answer: a cursor says where the next one begins. It is made of facts, so nothing moves under it."""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Sequence
from typing import Annotated, Any, Final, Generic, TypeVar

from fastapi import Request
from pydantic import BaseModel, ConfigDict, Field

from pagereeve.console.api.problems import ApiProblem

LIMIT: Final = 100
LIMIT_MAX: Final = 1_000
CURSOR_MAX: Final = 2_000

Item = TypeVar("Item")

Limit = Annotated[int, Field(ge=1, le=LIMIT_MAX, description="At most so many items; a page may have fewer.")]
Cursor = Annotated[
    str | None, Field(max_length=CURSOR_MAX, description="Where to go on, as `next` of the page before has it.")
]


class Asked(BaseModel):
    """Parameters of a question: one that is not known is refused, as it would change nothing in silence."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Page(BaseModel, Generic[Item]):
    """``next`` is the address of the next page, null with the last."""

    items: list[Item]
    next: str | None


def cursor_of(place: Sequence[int | str]) -> str:
    text = json.dumps(list(place), ensure_ascii=False, separators=(",", ":"))
    return base64.urlsafe_b64encode(text.encode(errors="surrogateescape")).decode().rstrip("=")


def place_of(cursor: str | None, kinds: Sequence[type]) -> tuple[Any, ...] | None:
    """What ``cursor_of`` made a cursor of, a value of each kind. Raises ApiProblem for anything else."""
    if cursor is None:
        return None
    try:
        padded = cursor + "=" * (-len(cursor) % 4)
        place = json.loads(base64.b64decode(padded, altchars=b"-_", validate=True).decode(errors="surrogateescape"))
    except (binascii.Error, ValueError, RecursionError):
        place = None
    if not isinstance(place, list) or [type(one) for one in place] != list(kinds) or not _stored(place):
        raise ApiProblem("bad-parameter", "after", "is no cursor of this answer; take it from next of the page before")
    return tuple(place)


def _stored(place: Sequence[object]) -> bool:
    """Figures that a database can hold."""
    return all(-(2**63) <= one < 2**63 for one in place if isinstance(one, int))


def next_page(request: Request, place: Sequence[int | str] | None) -> str | None:
    """The address of the next page: the same question, from there on."""
    if place is None:
        return None
    url = request.url.include_query_params(after=cursor_of(place))
    return f"{url.path}?{url.query}"
