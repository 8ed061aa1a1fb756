"""Decisions about pages as they are answered: what ``decide list --json`` prints."""

from __future__ import annotations

from pydantic import BaseModel, Field

from pagereeve.console.api.models.findings import ReleaseName
from pagereeve.domain.accounts.decisions import Ruling
from pagereeve.domain.facts.page_decision import PagesAct, PagesFrom, PagesReason, PagesTo
from pagereeve.domain.ledger import is_person
from pagereeve.reports.page_decisions import ruling_json


class DecisionLeg(BaseModel):
    """``account`` is null where it is a person's, and names may not be seen."""

    account: str | None
    pages: int


class DecisionShown(BaseModel):
    """``by``, ``text`` and a person's name are null for who may not see names. ``problem`` says why one is not in
    force; ``legs`` and ``unproven`` are what it changes.
    """

    decision: str
    at: str = Field(description="RFC 3339, in UTC")
    by: str | None
    act: PagesAct
    pages: int
    channel: str | None
    printer: str | None
    release: ReleaseName | None
    closes: str | None = Field(description="Of a gap: when it closed.")
    from_: PagesFrom | None = Field(alias="from")
    to: PagesTo | None
    to_name: str | None
    undoes: str | None
    reason: PagesReason
    text: str | None
    in_force: bool
    undone_by: str | None
    problem: str | None
    legs: list[DecisionLeg]
    unproven: int

    @classmethod
    def of(cls, ruling: Ruling, *, with_names: bool) -> DecisionShown:
        members = ruling_json(ruling)
        return cls.model_validate(members if with_names else _without_names(members, ruling))


def _without_names(members: dict[str, object], ruling: Ruling) -> dict[str, object]:
    posting, named = ruling.in_force, ruling.decided.said.to == "person"
    legs = [] if posting is None else [(None if is_person(name) else name, pages) for name, pages in posting.legs]
    return {
        **members,
        "by": None,
        "text": None,
        "to_name": None if named else members["to_name"],
        "legs": [{"account": account, "pages": pages} for account, pages in legs],
    }
