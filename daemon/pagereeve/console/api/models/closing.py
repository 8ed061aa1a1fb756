"""Periods of the books: closed ones, and what stands in the way of closing one."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, Field

from pagereeve.console.api.models.accounts import ClosedShown, SiteBehind
from pagereeve.console.api.models.periods import PeriodShown
from pagereeve.console.api.models.told import Told
from pagereeve.domain.accounts.closing import OrderTrouble


class NamedPeriod(PeriodShown):
    """One of the settings' [[periods]]."""

    closed: bool


class PeriodsAnswer(BaseModel):
    """``closed`` as ``closed --json`` prints it, in order of time; ``named`` are those of the settings."""

    closed: list[ClosedShown]
    named: list[NamedPeriod]


class ConcernShown(Told):
    """Something to know before it is closed. ``hinders``: a reason is asked for. ``names``: some of the printers or
    findings; ``sites``: those that are behind.
    """

    kind: str
    hinders: bool
    count: int
    pages: int | None
    names: list[str]
    sites: list[SiteBehind]
    text: str = Field(description="For people: never parse it.")


class ClosingTrouble(Told):
    """Why it can't be closed at all. ``other`` is a closed period that is in the way."""

    trouble: OrderTrouble
    other: str | None
    at: str | None = Field(description="The end of the period that is not over, or the first instant still open.")
    text: str = Field(description="For people: never parse it.")


class ClosingShown(Told):
    """It was asked to be closed at ``since``. ``problem``: why it was not; null while it is under way."""

    since: str
    problem: str | None = Field(description="For people: never parse it.")


class PeriodAnswer(BaseModel):
    """``state``: closed; closing (under way, and nothing is looked at); closable (what stands in the way is in
    ``concerns``); not-closable (why: ``trouble``). ``closing``: the last close of it that is under way or came to
    nothing, as long as the daemon runs.
    """

    period: PeriodShown
    state: Literal["closed", "closing", "closable", "not-closable"]
    closed: ClosedShown | None
    closing: ClosingShown | None
    trouble: ClosingTrouble | None
    concerns: list[ConcernShown]


class AdjustmentShown(Told):
    """What a closed period would have otherwise today, and what it corrects: ``pages`` is ``now`` less ``was``."""

    corrects: str
    account: str
    printer: str
    channel: str
    unit: str | None
    source: str | None
    release: str | None
    was: int
    now: int
    pages: int
