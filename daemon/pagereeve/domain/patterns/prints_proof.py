"""A counter of prints is billed before the total once it is proven: it moves with releases, the total with copies too.

The rule: of the brackets of a meter run, in order, those count in which the counter of prints moved by what was
released, and the total by more than can come of that. Three of them are a proof; one in which prints moved otherwise
begins it anew. The figure is our choice, as that of witnesses is: once or twice may be an accident.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

from pagereeve.domain.brackets.chosen import BY_DEFAULT
from pagereeve.domain.brackets.expectation import total_of
from pagereeve.domain.brackets.prints import PRINTS, TOTAL
from pagereeve.domain.brackets.runs import Run
from pagereeve.domain.brackets.windows import expected_of
from pagereeve.domain.charging.postings import Posted
from pagereeve.domain.facts.facts import CounterChosen
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.ledger import Grade
from pagereeve.domain.patterns.witnesses import sample_at
from pagereeve.domain.values.codec import FIGURE, TEXT, Codec, Member
from pagereeve.domain.values.records import dataclass

BRACKETS_LEAST: Final = 3


@dataclass(frozen=True, slots=True)
class PrintsProof:
    """In a meter run ``brackets`` show that ``prints`` (its object) counts releases, and ``total`` more than them."""

    run: int = 0
    total: str = ""
    prints: str = ""
    brackets: int = 0

    @property
    def is_proven(self) -> bool:
        return self.brackets >= BRACKETS_LEAST


NO_PROOF: Final = PrintsProof()


def watch_prints(
    posted: Sequence[tuple[int, Posted]], runs: Sequence[Run], before: PrintsProof
) -> list[tuple[int, PrintsProof]]:
    """What was proven from which instant on; ``before`` is what was known of earlier brackets."""
    states: list[tuple[int, PrintsProof]] = []
    if not posted:
        return states
    with_prints = {run.number: run for run in runs if PRINTS in run.last_totals or PRINTS in run.gone}
    if not with_prints:
        return states
    proof = before
    mine = [(at_us, row) for at_us, row in posted if row.stretch.channel == TOTAL and row.windows]
    for at_us, row in sorted(mine, key=lambda one: (one[0], one[1].stretch.run, one[1].stretch.opens_us)):
        now = _after(proof, row, with_prints)
        if now != proof:
            proof = now
            states.append((at_us, proof))
    return states


def _after(proof: PrintsProof, row: Posted, runs: Mapping[int, Run]) -> PrintsProof:
    stretch = row.stretch
    run = runs.get(stretch.run)
    if run is None or stretch.grade in {Grade.BROKEN, Grade.BLIND}:
        return proof
    left, right = sample_at(run, stretch.opens_us), sample_at(run, stretch.closes_us)
    total, prints = right.plateau.sight.count(TOTAL), right.plateau.sight.count(PRINTS)
    was, now = left.total(PRINTS), right.total(PRINTS)
    if total is None or prints is None or was is None or now is None or left.number(PRINTS) != right.number(PRINTS):
        return proof
    names = (stretch.run, total.object, prints.object)
    if not total.object or not prints.object or total.object == prints.object or prints.unit is Unit.UNKNOWN:
        return proof
    if (proof.run, proof.total, proof.prints) != names:
        proof = PrintsProof(*names)
    releases = [window.release for window in row.windows]
    released = total_of([expected_of(PRINTS, prints.unit, one).count for one in releases])
    if released.most is None:
        return proof
    if now == was or not released.holds(now - was):
        return replace(proof, brackets=0)
    most = total_of([expected_of(TOTAL, total.unit, one).count for one in releases]).most
    more = most is not None and stretch.counted > most
    return replace(proof, brackets=min(proof.brackets + 1, BRACKETS_LEAST)) if more else proof


def prints_wanted(proof: PrintsProof, wanted: Sequence[CounterChosen]) -> tuple[CounterChosen, ...]:
    """The choices, with proven prints in the total's place. What was chosen for another reason stays."""
    chosen = {one.channel: one for one in wanted}
    known = chosen.get(TOTAL)
    if proof.is_proven and (known is None or known.reason == BY_DEFAULT):
        chosen[TOTAL] = CounterChosen(TOTAL, proof.prints, "prints-before-total")
    return tuple(chosen[channel] for channel in sorted(chosen))


PRINTS_PROOF: Final = Codec(
    PrintsProof,
    Member("run", FIGURE, default=0),
    Member("total", TEXT, default=""),
    Member("prints", TEXT, default=""),
    Member("brackets", FIGURE, default=0),
)
