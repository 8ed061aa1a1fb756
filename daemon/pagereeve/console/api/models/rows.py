"""The ledger's rows, as reports/rows_json.py makes them."""

from __future__ import annotations

from pydantic import Field

from pagereeve.console.api.models.findings import EvidenceShown, ReleaseName
from pagereeve.console.api.models.told import Told
from pagereeve.domain.ledger import FindingState, Severity


class Interval(Told):
    """``most`` is null where nothing bounds it."""

    least: int
    most: int | None


class ChargeRow(Told):
    """One release in one channel, with what it rests on."""

    printer: str
    source: str
    release: str
    owner: str | None = Field(description="Whose it is; null for who may not see names, and where it is left out.")
    job: str | None
    channel: str
    unit: str | None
    started: str
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


class StretchRow(Told):
    """What a channel counted between two cuts, and the releases in it."""

    printer: str
    run: int
    channel: str
    unit: str
    opens: str
    closes: str
    before: int | None
    after: int | None
    counted: int
    releases: list[ReleaseName]
    grade: str | None
    verdict: str | None
    expected: Interval | None
    reasons: list[str]


class Leg(Told):
    account: str = Field(description="meter:NAME gives; person:LOGIN (person: alone is others, unnamed) or house: get.")
    pages: int


class PostingRow(Told):
    printer: str
    run: int
    channel: str
    opens: str
    closes: str
    legs: list[Leg]


class FindingRow(Told):
    id: str
    kind: str
    severity: Severity
    printer: str
    since: str
    until: str | None
    state: FindingState
    place: str
    pages: int | None
    reason: str | None
    text: str
    what: EvidenceShown
    evidence: list[EvidenceShown]
    releases: list[ReleaseName]


class DecisionRow(Told):
    """A decision about pages, as ``decide list`` has it. ``by`` and ``text`` are empty for who may not see names."""

    decision: str
    at: str
    by: str | None
    act: str
    pages: int
    channel: str | None
    printer: str | None
    release: ReleaseName | None
    closes: str | None
    from_: str | None = Field(alias="from")
    to: str | None
    to_name: str | None
    undoes: str | None
    reason: str
    text: str
    in_force: bool
    undone_by: str | None
    problem: str | None
    legs: list[Leg]
    unproven: int
