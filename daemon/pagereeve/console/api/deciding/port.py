"""Who decides: the daemon, which has the intake. The query process has nobody."""

from __future__ import annotations

from typing import Final, Protocol

from pagereeve.console.api.deciding.answers import FindingDecided, PagesDecided, PeriodClosed
from pagereeve.console.api.deciding.bodies import ClosePeriod, Move, OnFinding, Settle, Undo
from pagereeve.domain.credentials.callers import Caller

WAITED_S: Final = 15.0


class Deciding(Protocol):
    """``key`` makes the same request, sent again, the same decision; "" where the sender gives none. A period's name is
    its own key; its closing is waited for so long, and goes on.

    Each raises ApiProblem where it can't be done, and feeds.refusals.Refusal where the intake refuses it.
    """

    async def on_finding(self, name: str, said: OnFinding, caller: Caller, key: str) -> FindingDecided: ...

    async def on_pages(self, said: Settle | Move, caller: Caller, key: str) -> PagesDecided: ...

    async def close_period(
        self, name: str, said: ClosePeriod, caller: Caller, waited_s: float = WAITED_S
    ) -> PeriodClosed: ...

    async def undo(self, decision: str, said: Undo, caller: Caller, key: str) -> PagesDecided: ...
