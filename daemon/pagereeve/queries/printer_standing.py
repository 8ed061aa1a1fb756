"""What is known of a printer's meter now: what it counts and how that is known, its proofs, what is open about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.brackets.units import judged_by
from pagereeve.domain.facts.facts import PrinterNoted
from pagereeve.domain.facts.in_force import PROVEN, TEST_PAGES, Rules
from pagereeve.domain.facts.reading import Count
from pagereeve.domain.findings.finding import Kind
from pagereeve.domain.ledger import Finding
from pagereeve.domain.values.instants import FOREVER_US
from pagereeve.ports.findings import FindingFilter
from pagereeve.ports.reads import Reads
from pagereeve.queries.meters import MeterDetails, meter_of

FINDINGS_MAX: Final = 20
PROOFS_MAX: Final = 20
DIAGNOSIS: Final[Kind] = "diagnosis"


@dataclass(frozen=True, slots=True)
class PrinterStanding:
    """``counts`` are those of the newest reading, by channel, each with the unit by which the next release is judged.

    ``proofs``: the latest notes of proofs and of test pages, the newest first. ``findings``: open ones, the worst
    first, FINDINGS_MAX at most; ``diagnoses`` are all that are open of that kind.
    """

    details: MeterDetails
    counts: tuple[tuple[str, Count], ...]
    proofs: tuple[PrinterNoted, ...]
    findings: Sequence[Finding]
    diagnoses: Sequence[Finding]
    state_believed: bool
    known: bool

    @property
    def findings_open(self) -> int:
        return sum(self.details.state.findings.values())


async def standing_of(held: Reads, printer: str) -> PrinterStanding:
    """``held`` is of one moment. ``known``: some fact or row is about it."""
    details = await meter_of(held, printer)
    facts = [stored.fact for stored in await held.standing_facts(printer)]
    rules = Rules.of(facts)
    plateau = details.state.plateau
    counts = () if plateau is None else plateau.sight.counts
    proofs = [one for one in rules.notes if one.note in {PROVEN, TEST_PAGES}]
    found = await held.findings_page(FindingFilter("open", printer=printer), FINDINGS_MAX)
    diagnoses = await held.findings_page(FindingFilter("open", DIAGNOSIS, printer), FINDINGS_MAX)
    read = plateau is not None or details.state.silence is not None
    return PrinterStanding(
        details,
        tuple((name, judged_by(name, count, rules, FOREVER_US)) for name, count in counts),
        tuple(sorted(proofs, key=lambda one: -one.origin.at_us)[:PROOFS_MAX]),
        found.findings,
        diagnoses.findings,
        rules.state_believed(FOREVER_US),
        known=read or bool(facts or found.findings or details.open),
    )
