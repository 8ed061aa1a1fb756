"""A decision about pages finds its printer, and is refused where it could not be in force."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import replace
from typing import Final

from pagereeve.domain.accounts.decisions import Refused
from pagereeve.domain.facts.facts import PagesDecided
from pagereeve.domain.facts.page_decision import DECISIONS_SOURCE
from pagereeve.domain.values.errors import BadFact
from pagereeve.ports.decisions import DecisionReads
from pagereeve.queries.page_decisions import charge_of, decision_named, ruling_on

_MEMBER: Final[dict[Refused, str]] = {
    "unknown-release": "data.release_id",
    "no-gap": "data.closes",
    "not-judged": "data.release_id",
    "no-decision": "data.undoes",
    "undone": "data.undoes",
}


def checked_by(reads: DecisionReads) -> Callable[[PagesDecided], Awaitable[PagesDecided]]:
    """For placement.Lookup."""

    async def checked(decided: PagesDecided) -> PagesDecided:
        """Two that come at once may both pass: the later of them is then not in force, and listed so."""
        if decided.origin.source != DECISIONS_SOURCE:
            raise BadFact("source", f"must be {DECISIONS_SOURCE} for decisions about pages, whoever makes them")
        placed = await _placed(reads, decided)
        ruling = await ruling_on(reads, placed)
        if ruling.refused is not None:
            raise BadFact(_MEMBER.get(ruling.refused, "data.pages"), ruling.problem)
        return placed

    return checked


async def _placed(reads: DecisionReads, decided: PagesDecided) -> PagesDecided:
    """On the timeline of the printer whose pages they are."""
    if decided.said.of_release:
        charge = await charge_of(reads, decided)
        return decided if charge is None else replace(decided, printer=charge.printer)
    other = None if decided.said.act != "undo" else await decision_named(reads, decided.said.undoes)
    return decided if other is None else replace(decided, printer=other.printer)
