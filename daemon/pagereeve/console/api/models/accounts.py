"""What printers counted and who received it, as reports/totals.py makes it of a period."""

from __future__ import annotations

from pydantic import Field

from pagereeve.console.api.models.periods import PeriodShown
from pagereeve.console.api.models.rows import StretchRow
from pagereeve.console.api.models.told import Told
from pagereeve.domain.facts.facts import SiteStanding


class SealHead(Told):
    """The head of the journal that an answer was made from: ``size`` facts, ``head`` their digest."""

    origin: str
    size: int
    head: str
    older: int | None = None
    since: str | None = None


class SiteBehind(Told):
    """A site that forwards. All that it had sealed by ``known`` is here (null: that was never so); ``since`` when it
    was told that not all is, and how (``state``), or null.
    """

    site: str
    known: str | None
    since: str | None
    state: SiteStanding | None
    why: str | None = Field(description="Why its facts are refused; null where they are not.")


class AccountLine(Told):
    """How the pages of a printer's channel follow from its meter: end - start + restarts + over start + over end.

    Then who received them; ``pages_waiting`` are counted and in no account yet. null is not known.
    """

    printer: str
    channel: str
    unit: str | None
    meter_start: int | None
    meter_end: int | None
    meter_restarts: int
    over_start: int
    over_end: int
    counted: int
    conserved: bool
    prints_alone: bool
    pages_waiting: int | None
    releases_waiting: int


class EdgeRow(Told):
    """A stretch over an edge of the period, and how many of its pages belong to it."""

    pages: int
    stretch: StretchRow


class Figures(Told):
    """Sums of releases in one channel and unit; never add up two channels. ``verdicts``: releases with each."""

    channel: str
    unit: str | None
    billed: bool
    releases: int
    released: int | None
    released_unknown: int
    counted: int | None
    counted_unknown: int
    charged: int
    unproven: int
    verdicts: dict[str, int]


class TotalLine(Figures):
    """``pages``: received by people. Which of the names is there says ``by``; null: of nobody or of none."""

    person: str | None = None
    id: str | None = Field(default=None, description="The person's own id, where a list names the person.")
    name: str | None = None
    also_written: list[str] = Field(default=[])
    cost_centre: str | None = None
    printer: str | None = None
    day: str | None = None
    pages: int


class HouseLine(Told):
    """Pages that nobody is charged for."""

    printer: str | None = None
    day: str | None = None
    account: str
    channel: str
    unit: str | None
    pages: int


class MeterLine(Figures):
    """What the meters counted; people's and house accounts' pages add up to it."""

    account: str
    pages: int


class DifferenceLine(Told):
    channel: str
    unit: str | None
    pages: int


class PeriodMade(PeriodShown):
    zone_from: str
    zone_database: str


class ClosedShown(Told):
    """A closed period. ``by`` and ``despite`` (why it was closed although something stood in the way) are null for who
    may not see names. ``sha256`` is of its ``rows`` as they were frozen.
    """

    period: str
    zone: str
    zone_database: str
    from_: str = Field(alias="from")
    to: str
    closed: str
    by: str | None
    despite: str | None
    journal: str
    head: str
    projection: int
    rows: int
    sha256: str
    sha256_since_erasure: str | None


class TotalsAnswer(Told):
    """As ``totals --format json`` prints it. Of a closed period: its frozen rows, and ``closed`` says when and how."""

    period: PeriodMade
    by: str
    seal: SealHead | None
    closed: ClosedShown | None = None
    sites_behind: list[SiteBehind] = Field(default=[], description="Absent where no site is.")
    totals: list[TotalLine]
    house: list[HouseLine]
    total: list[MeterLine]
    adds_up: bool
    differences: list[DifferenceLine]
    accounts: list[AccountLine]
    edges: list[EdgeRow]
