"""Decisions about pages as pages show them, and the forms that make one: who, when, why, and what is left to decide."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, get_args
from urllib.parse import urlencode

from pagereeve.domain.accounts.decisions import Ruling
from pagereeve.domain.facts.page_decision import MOVED_TO_HOUSE, PagesFrom, PagesReason, PagesTo
from pagereeve.domain.ledger import Finding
from pagereeve.queries.decidable import Decidable
from pagereeve.reports.page_decisions import decision_text, state_text

STANDS: Final[Mapping[str, str]] = {
    "stray": "counted, and no release was there",
    "unproven": "claimed, and no count supports it",
    "surplus": "counted in its bracket, and more than is charged for",
    "unattributed": "counted in its bracket, and nobody can say whose",
}
RECEIVERS: Final[tuple[tuple[PagesTo, str], ...]] = (
    ("person", "a person, by login"),
    ("cost-centre", "a cost centre"),
    ("house", "a house account"),
)


OF_FINDINGS: Final[Mapping[str, PagesFrom]] = {
    "stray-pages": "stray",
    "surplus": "surplus",
    "shortfall": "unproven",
    "unproven-release": "unproven",
}
"""Where the pages of a finding stand, by its kind."""


@dataclass(frozen=True, slots=True)
class Offered:
    """What may be chosen in a form."""

    reasons: tuple[str, ...] = get_args(PagesReason)


OFFERED: Final = Offered()


@dataclass(frozen=True, slots=True)
class Said:
    """What somebody decided; ``by`` and ``text`` are None for who may not see names. ``undo`` is the id of one about
    pages that is in force; ``release`` names the release that it is about, ``link`` has its page ("": neither).
    """

    at_us: int
    what: str
    by: str | None
    text: str | None
    state: str = ""
    undo: str = ""
    release: str = ""
    link: str = ""


@dataclass(frozen=True, slots=True)
class Settling:
    """Pages that may be decided on, as the form names them: ``of`` is a release and channel, or a finding. ``pages`` is
    0 where all that stand there are meant, however many.
    """

    of: str
    channel: str
    taken_from: str
    pages: int

    @property
    def stands(self) -> str:
        return STANDS[self.taken_from]

    @property
    def receivers(self) -> Sequence[tuple[PagesTo, str]]:
        """What no count supports is in no house account, and comes into none (waive it)."""
        return [one for one in RECEIVERS if one[0] != "house" or self.taken_from != "unproven"]

    @property
    def houses(self) -> Sequence[str]:
        return [one for one in MOVED_TO_HOUSE if self.taken_from not in {"unproven", one}]


def ruling_said(ruling: Ruling, *, names: bool, link: str = "") -> Said:
    said = ruling.decided.said
    shown = decision_text(said)
    if said.to == "person" and not names:
        shown = f"move {said.pages} ({said.channel}) to a person"
    return Said(
        ruling.decided.origin.at_us,
        f"{shown}, because: {said.reason}",
        ruling.decided.by if names else None,
        said.text if names else None,
        state_text(ruling),
        "" if ruling.in_force is None else ruling.decided.origin.id,
        said.release_id,
        link,
    )


def settling_of_finding(finding: Finding) -> Settling | None:
    """None for a finding that is not about pages that somebody could decide on."""
    taken_from = OF_FINDINGS.get(finding.kind)
    return None if taken_from is None else Settling(urlencode({"finding": finding.id}), "", taken_from, 0)


def settling_of(found: Sequence[Decidable]) -> list[Settling]:
    return [Settling(subject_of(one), one.charge.channel, one.taken_from, one.pages) for one in found]


def subject_of(one: Decidable) -> str:
    """As app/deciding/page_forms.py reads it."""
    key = one.charge.release
    return urlencode({"source": key.source, "release": key.release, "channel": one.charge.channel})
