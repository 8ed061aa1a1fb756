"""What all parts of an answer have in common."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Told(BaseModel):
    """Members that are named here stay; further ones may come at any time: ignore what you do not know."""

    model_config = ConfigDict(extra="allow", frozen=True)
