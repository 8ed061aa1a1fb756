"""What came of a decision."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, Field

from pagereeve.console.api.models.accounts import ClosedShown
from pagereeve.console.api.models.decisions import DecisionShown
from pagereeve.domain.ledger import FindingState

SHOWN = "Does the next question show it? false: it is durable, and the daemon is still at work on its rows."


class FindingDecided(BaseModel):
    """``state`` is the finding's now; null where the decision explained it away, and there is no such finding any more.

    ``repeated``: it was decided before, by the same key, and nothing was decided now.
    """

    decision: str = Field(description="Its id: the Idempotency-Key, where there was one.")
    finding: str
    action: Literal["explain", "close", "book", "reopen"]
    state: FindingState | None
    repeated: bool
    shown: bool = Field(description=SHOWN)


class PeriodClosed(BaseModel):
    """``under-way``: its rows are being added up, and it will be closed; ask again. ``repeated``: it was closed before,
    and nothing was done now.
    """

    period: str
    state: Literal["closed", "under-way"]
    closed: ClosedShown | None
    repeated: bool


class PagesDecided(BaseModel):
    """A decision for each release and channel. ``dry_run``: none was made; this is what it would be."""

    decisions: list[DecisionShown]
    dry_run: bool
    repeated: bool
    shown: bool = Field(description=SHOWN)
