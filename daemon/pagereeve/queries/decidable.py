"""Which pages of releases somebody could decide on still, after all that was decided."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.facts.facts import Origin, PagesDecided
from pagereeve.domain.facts.page_decision import DECISIONS_SOURCE, PageDecision, PagesFrom
from pagereeve.domain.facts.ticket import PAGES_MAX
from pagereeve.domain.ledger import Charge
from pagereeve.ports.decisions import DecisionReads
from pagereeve.queries.page_decisions import Trial

OF_A_BRACKET: Final[tuple[PagesFrom, ...]] = ("unproven", "surplus", "unattributed")
"""Surplus and unattributed pages are those of the bracket that a release shares."""


@dataclass(frozen=True, slots=True)
class Decidable:
    charge: Charge
    taken_from: PagesFrom
    pages: int


async def decidable_of(
    held: DecisionReads, charges: Sequence[Charge], now_us: int, froms: Sequence[PagesFrom] = OF_A_BRACKET
) -> list[Decidable]:
    """In the order of the charges; nothing of those that are not judged. ``held`` is of one moment."""
    trial = await Trial.of(held)
    found = []
    for charge in charges:
        for taken_from in froms if charge.verdict is not None else ():
            pages = await trial.left(_of(charge, taken_from, now_us))
            if pages:
                found.append(Decidable(charge, taken_from, pages))
    return found


def _of(charge: Charge, taken_from: PagesFrom, now_us: int) -> PagesDecided:
    """Any decision about these pages: how many are left hangs on where they stand alone."""
    key = charge.release
    said = PageDecision(
        *("move", PAGES_MAX, "other", charge.channel, key.source, key.release),
        taken_from=taken_from,
        to="house",
        to_name="maintenance",
    )
    at_us = max(now_us, charge.started_us)
    return PagesDecided(charge.printer, Origin(DECISIONS_SOURCE, "", at_us, at_us), "", said)
