"""Which of a run's channels speaks for it, where one must: a pattern is looked for in one channel, not in each."""

from __future__ import annotations

from collections.abc import Iterable

from pagereeve.domain.brackets.runs import LEADS, Run
from pagereeve.domain.ledger import Stretch
from pagereeve.domain.values.records import dataclass


@dataclass(frozen=True, slots=True)
class Leads:
    """Runs by their numbers, those of their leading channels' own runs among them."""

    _runs: dict[int, Run]

    @classmethod
    def of(cls, runs: Iterable[Run]) -> Leads:
        known: dict[int, Run] = {}
        for run in runs:
            known[run.number] = run
            if not run.numbers.keys().isdisjoint(LEADS):
                numbers = (sample.number(lead) for sample in run.samples for lead in LEADS)
                known.update((number, run) for number in numbers if number is not None)
        return cls(known)

    def speaks(self, stretch: Stretch) -> bool:
        """Whether the stretch is of the channel that led when it closed: what came or went later changes nothing."""
        run = self._runs.get(stretch.run)
        return run is not None and stretch.channel == run.lead_at(stretch.closes_us)
