"""A period as answers name it."""

from __future__ import annotations

from pydantic import BaseModel, Field


class PeriodShown(BaseModel):
    """``from`` and ``to`` are RFC 3339 in UTC; null: without a beginning, without an end."""

    name: str
    zone: str
    from_: str | None = Field(alias="from")
    to: str | None
