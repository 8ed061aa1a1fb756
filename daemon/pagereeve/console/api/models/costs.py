"""What pages cost, as ``costs --format json`` prints it."""

from __future__ import annotations

from pydantic import Field

from pagereeve.console.api.models.accounts import ClosedShown
from pagereeve.console.api.models.told import Told


class AmountShown(Told):
    """Exact prices added up and rounded once, half up. ``left_over``: the exact amount less the rounded one."""

    currency: str
    amount: str = Field(description="A decimal number, as 12.40.")
    minor_units: int = Field(description="The same in the currency's smallest unit.")
    left_over: str


class CostLine(Told):
    """Which of the names is there says ``by``; null: of nobody or of none. ``pages`` by channel."""

    person: str | None = None
    id: str | None = None
    name: str | None = None
    cost_centre: str | None = None
    printer: str | None = None
    pages: dict[str, int]
    amounts: list[AmountShown]
    unpriced_pages: dict[str, int] = Field(description="Pages that no price fits; they are in no amount.")


class CostsAnswer(Told):
    by: str
    lines: list[CostLine]
    totals: list[AmountShown]
    unpriced_pages: dict[str, int]
    closed: ClosedShown | None = None


class StatementCosts(Told):
    amounts: list[AmountShown]
    unpriced_pages: dict[str, int]
