"""Pages for which nobody pays, as ``losses --format json`` prints them."""

from __future__ import annotations

from pydantic import Field

from pagereeve.console.api.models.accounts import ClosedShown, SealHead
from pagereeve.console.api.models.periods import PeriodShown
from pagereeve.console.api.models.told import Told


class LossLine(Told):
    """All of a printer, or of a cause (``cause``, ``known_from``), in one channel and unit. ``accounts`` has the pages
    of each house account, ``nobodys`` their sum; ``unproven`` are claimed, and no count supports them.
    """

    printer: str | None = None
    cause: str | None = None
    known_from: str | None = None
    channel: str
    unit: str | None
    billed: bool
    accounts: dict[str, int]
    nobodys: int
    nobodys_before: int | None
    unproven: int
    unproven_before: int | None


class LossRow(Told):
    """Pages of one house account (or unproven) by printer and cause, and what would help."""

    printer: str
    channel: str
    unit: str | None
    billed: bool
    account: str
    cause: str
    known_from: str
    pages: int
    pages_before: int | None
    remedy_kind: str
    remedy: str = Field(description="For people: never parse it.")
    effect: str


class LossesAnswer(Told):
    """``before`` is the period before, to compare; null where nothing is known of one."""

    period: PeriodShown
    before: PeriodShown | None
    before_partly: bool
    by: str
    lines: list[LossLine]
    losses: list[LossRow]
    seal: SealHead | None = None
    closed: ClosedShown | None = None
