"""Decisions over HTTP, put together: what console.api.deciding asks for."""

from __future__ import annotations

from pagereeve.app.closings import Closings
from pagereeve.app.deciding.door import DecisionDoor
from pagereeve.app.deciding.forms import Forms
from pagereeve.app.deciding.on_findings import FindingDecisions
from pagereeve.app.deciding.on_pages import PageDecisions
from pagereeve.app.deciding.on_periods import PeriodDecisions
from pagereeve.app.deciding.submitting import Submitting
from pagereeve.console.api.application import PREFIX
from pagereeve.console.api.deciding.answers import FindingDecided, PagesDecided, PeriodClosed
from pagereeve.console.api.deciding.application import make_deciding
from pagereeve.console.api.deciding.bodies import ClosePeriod, Move, OnFinding, Settle, Undo
from pagereeve.console.api.deciding.port import WAITED_S
from pagereeve.domain.credentials.callers import Caller
from pagereeve.feeds.http.endpoint import EventsEndpoint
from pagereeve.ports.clock import Clock
from pagereeve.ports.reads import Reads


class Decider:
    """Implements console.api.deciding.port.Deciding."""

    def __init__(self, reads: Reads, events: EventsEndpoint, clock: Clock, closings: Closings) -> None:
        submitting = Submitting(events)
        self._findings = FindingDecisions(reads, submitting, clock)
        self._pages = PageDecisions(reads, submitting)
        self._periods = PeriodDecisions(reads, closings)

    async def on_finding(self, name: str, said: OnFinding, caller: Caller, key: str) -> FindingDecided:
        return await self._findings.decide(name, said, caller, key)

    async def on_pages(self, said: Settle | Move, caller: Caller, key: str) -> PagesDecided:
        return await self._pages.decide(said, caller, key)

    async def close_period(
        self, name: str, said: ClosePeriod, caller: Caller, waited_s: float = WAITED_S
    ) -> PeriodClosed:
        return await self._periods.close(name, said, caller, waited_s)

    async def undo(self, decision: str, said: Undo, caller: Caller, key: str) -> PagesDecided:
        return await self._pages.undo(decision, said, caller, key)


def decision_door(reads: Reads, events: EventsEndpoint, clock: Clock, closings: Closings) -> DecisionDoor:
    decider = Decider(reads, events, clock, closings)
    return DecisionDoor(make_deciding(decider, PREFIX), events, Forms(decider))
