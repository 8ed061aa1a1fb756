"""Findings as they are answered: what ``findings --json`` prints, and what to do first."""

from __future__ import annotations

from pydantic import BaseModel, Field

from pagereeve.console.api.models.periods import PeriodShown
from pagereeve.domain.alerts.advice import ADVICE
from pagereeve.domain.ledger import Finding, FindingState, Severity
from pagereeve.reports.rows_json import evidence_json, finding_json

EvidenceValue = int | str | list[str] | dict[str, int]


class ReleaseName(BaseModel):
    """A release is unique for its source."""

    source: str
    release: str


class EvidenceShown(BaseModel):
    """``values`` are what it states: figures, names, instants (RFC 3339 in UTC), figures by channel.

    ``personal``: it names a person, or is a sender's own words; only who may see names gets it.
    """

    kind: str
    values: dict[str, EvidenceValue]
    release: ReleaseName | None
    personal: bool
    text: str = Field(description="The same in words, which may change: never parse them.")


class AdviceShown(BaseModel):
    """For people: never parse it."""

    headline: str
    cost: str
    first: str = Field(description="What to do first.")


class FindingShown(BaseModel):
    """``printer`` is empty for what is about no printer's meter; ``place`` then names the gateway, reader or source."""

    id: str
    kind: str
    severity: Severity
    printer: str
    since: str = Field(description="RFC 3339, in UTC")
    until: str | None
    state: FindingState
    place: str
    pages: int | None = Field(description="How many it is about, in the meter's steps; null where it is about none.")
    uncharged_pages: int | None = Field(
        description="Of a surplus: how many of them are charged to nobody; null where that is not known."
    )
    reason: str | None = Field(description="The cause that a person recorded.")
    text: str
    what: EvidenceShown
    evidence: list[EvidenceShown]
    releases: list[ReleaseName]
    advice: AdviceShown | None

    @classmethod
    def of(cls, finding: Finding, uncharged: int | None, *, with_names: bool) -> FindingShown:
        members = finding_json(finding)
        shown = [evidence_json(one) for one in finding.evidence if with_names or not one.personal]
        return cls.model_validate(
            {**members, "uncharged_pages": uncharged, "evidence": shown, "advice": _advice(finding.kind)}
        )


def _advice(kind: str) -> dict[str, str] | None:
    known = ADVICE.get(kind)
    return None if known is None else {"headline": known.headline, "cost": known.cost, "first": known.first}


class FindingsSummaryLine(BaseModel):
    """``open``: nobody has said what they came of. Pages are in the meters' steps, those too many and too few apart."""

    reason: str | None
    open: bool
    kind: str
    findings: int
    pages_too_many: int
    pages_too_few: int


class FindingsSummary(BaseModel):
    period: PeriodShown
    summary: list[FindingsSummaryLine]
