"""A statement, as ``statement --format json`` prints it."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from pagereeve.console.api.models.accounts import AccountLine, ClosedShown, EdgeRow, Figures, SealHead
from pagereeve.console.api.models.costs import StatementCosts
from pagereeve.console.api.models.periods import PeriodShown
from pagereeve.console.api.models.rows import Interval
from pagereeve.console.api.models.told import Told
from pagereeve.queries.statement_lines import SubjectKind


class StatementPeriod(PeriodShown):
    zone_database: str


class StatementCharge(Told):
    """One channel of a release; whose it is, the statement says."""

    channel: str
    unit: str | None
    ended: str | None
    closed: str | None
    released: int | None
    counted: int | None
    charged: int
    unproven: int
    expected: Interval | None
    grade: str | None
    verdict: str | None
    reasons: list[str]


class Standing(Told):
    verdict: str
    charged: int
    unproven: int


class Correction(Told):
    """At ``at`` a notice came in, ``late_us`` after what it tells of, and changed what stood there."""

    at: str
    late_us: int
    before: Standing
    after: Standing


class StatementLine(Told):
    """A release. ``started`` is local time with its offset. ``parts`` are channels within those that are billed."""

    release: str
    source: str
    printer: str
    person: str | None = Field(default=None, description="There only where names are asked for.")
    started: str
    charges: list[StatementCharge]
    parts: list[StatementCharge]
    corrections: list[Correction]


class GradeLine(Told):
    """``grade`` is null where nothing was judged yet."""

    grade: str | None
    says: str | None
    releases: int
    charged: int
    unproven: int


class ChartSpan(Told):
    name: str
    charged: int
    unproven: int


class Chart(Told):
    channel: str
    unit: str | None
    by: Literal["day", "month"]
    spans: list[ChartSpan]


class CautionShown(Told):
    caution: str
    says: str = Field(description="For people: never parse it.")


class StatementAnswer(Told):
    """``costs`` is there where the site has prices, ``accounts`` and ``edges`` in a printer's."""

    of: SubjectKind
    name: str | None
    also_written: list[str]
    period: StatementPeriod
    releases: list[StatementLine]
    sums: list[Figures]
    grades: list[GradeLine]
    charts: list[Chart]
    costs: StatementCosts | None = None
    accounts: list[AccountLine] | None = None
    edges: list[EdgeRow] | None = None
    cautions: list[CautionShown]
    seal: SealHead | None = None
    closed: ClosedShown | None = None
