"""Who decides: the daemon, which has the intake. The query process has nobody."""

from __future__ import annotations

from typing import Protocol

from pagereeve.console.api.deciding.answers import FindingDecided, PagesDecided
from pagereeve.console.api.deciding.bodies import Book, Close, Explain, Move, Settle, Undo
from pagereeve.domain.credentials.callers import Caller


class Deciding(Protocol):
    """``key`` makes the same request, sent again, the same decision; "" where the sender gives none.

    Each raises ApiProblem where it can't be done, and feeds.refusals.Refusal where the intake refuses it.
    """

    async def on_finding(self, name: str, said: Explain | Close | Book, caller: Caller, key: str) -> FindingDecided: ...

    async def on_pages(self, said: Settle | Move, caller: Caller, key: str) -> PagesDecided: ...

    async def undo(self, decision: str, said: Undo, caller: Caller, key: str) -> PagesDecided: ...
