"""Meter runs: the stretches of a printer's life in which its readings can be subtracted (domain/README.md, step 1)."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

from pagereeve.domain.brackets.continuity import (
    CARRIES_ON,
    NEEDS_WITNESS,
    Identity,
    Step,
    pages_between,
    restarted,
    step_between,
)
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Count, Plateau

PolicyAt = Callable[[int], Policy]


@dataclass(frozen=True, slots=True)
class Sample:
    """A good plateau on its run. ``totals`` count on across wraps, so that any two of a run can be subtracted."""

    plateau: Plateau
    totals: tuple[tuple[str, int], ...]
    restarted: bool = False

    def total(self, channel: str) -> int | None:
        for name, total in self.totals:
            if name == channel:
                return total
        return None


@dataclass(slots=True)
class Run:
    """Samples in order. ``began`` says what ended the run before it; None where no reading came before.

    ``known_us``: of a run that is taken up again, an instant at which its first sample's count was known already.
    """

    number: int
    began: Step | None
    identity: Identity
    samples: list[Sample] = field(default_factory=list)
    last_totals: dict[str, int] = field(default_factory=dict)
    last_counts: dict[str, Count] = field(default_factory=dict)
    known_us: int | None = None

    def known_from_us(self, sample: Sample) -> int:
        """Since when the sample's count is known, by itself or by what was known before."""
        received_us = sample.plateau.first_received_us
        if self.known_us is None or sample is not self.samples[0]:
            return received_us
        return min(received_us, self.known_us)

    def add(self, plateau: Plateau, policy: Policy) -> None:
        again = bool(self.samples) and restarted(self.samples[-1].plateau, plateau)
        for channel, count in plateau.sight.counts:
            last = self.last_counts.get(channel)
            if last is None:
                self.last_totals[channel] = count.value
            else:
                self.last_totals[channel] += pages_between(last, count.value, policy)
            self.last_counts[channel] = count
        totals = tuple((channel, self.last_totals[channel]) for channel, _ in plateau.sight.counts)
        self.samples.append(Sample(plateau, totals, again))
        self.identity = self.identity.joined(plateau)

    def step_to(self, plateau: Plateau, policy: Policy) -> Step:
        return step_between(self.samples[-1].plateau, self.last_counts, self.identity, plateau, policy)

    def channels(self) -> tuple[str, ...]:
        return tuple(sorted(self.last_totals))


@dataclass(slots=True)
class Runs:
    """``suspects`` are readings that nothing confirmed: kept as evidence, used for nothing.

    ``pending`` is a reading at the end that still waits for a witness: neither believed nor dropped yet.
    """

    runs: list[Run]
    suspects: list[Plateau] = field(default_factory=list)
    pending: Plateau | None = None


def split(
    plateaus: Iterable[Plateau], policy_at: PolicyAt, first: Run | None = None, breaks_us: Sequence[int] = ()
) -> Runs:
    """Part plateaus, in time order, into runs. ``first`` is the run that was under way, if any.

    At ``breaks_us``, in order, is what can't be known: between a plateau that began by then and the next, a run ends,
    unless the meter still rested after the time in which a release must move it.
    """
    splitter = _Splitter(policy_at, first, breaks_us)
    for plateau in plateaus:
        splitter.take(plateau)
    return splitter.finish()


class _Splitter:
    def __init__(self, policy_at: PolicyAt, first: Run | None, breaks_us: Sequence[int]) -> None:
        self._policy_at = policy_at
        self._breaks_us = breaks_us
        self._before: Plateau | None = None
        self._result = Runs([first] if first is not None else [])
        self._candidate: Plateau | None = None
        self._candidate_step = Step.SAME

    def take(self, plateau: Plateau) -> None:
        policy = self._policy_at(plateau.first_received_us)
        before, self._before = self._before, plateau
        if before is not None and self._breaks(before, plateau, policy):
            self._drop_candidate()
            self._begin(Step.DAMAGED, plateau, policy)
            return
        if self._candidate is not None and not self._resolve(plateau, policy):
            return
        run = self._result.runs[-1] if self._result.runs else None
        if run is None:
            self._begin(None, plateau, policy)
            return
        if not run.samples:
            run.add(plateau, policy)
            return
        step = run.step_to(plateau, policy)
        if step in CARRIES_ON:
            run.add(plateau, policy)
        elif step in NEEDS_WITNESS and not _stands(plateau, policy):
            self._candidate, self._candidate_step = plateau, step
        else:
            self._begin(step, plateau, policy)

    def _breaks(self, before: Plateau, after: Plateau, policy: Policy) -> bool:
        rested_us = before.last_sent_us - policy.unmoved_us
        place = bisect_left(self._breaks_us, max(before.first_received_us, rested_us))
        return place < len(self._breaks_us) and self._breaks_us[place] < after.first_received_us

    def _drop_candidate(self) -> None:
        if self._candidate is not None:
            self._result.suspects.append(self._candidate)
            self._candidate = None

    def _resolve(self, plateau: Plateau, policy: Policy) -> bool:
        """Decide the waiting candidate by the next reading. False where that reading is used up by it."""
        candidate, run = self._candidate, self._result.runs[-1]
        if candidate is None:
            return True
        self._candidate = None
        if run.step_to(plateau, policy) in CARRIES_ON:
            self._result.suspects.append(candidate)
            return True
        counts, identity = dict(candidate.sight.counts), run.identity.joined(candidate)
        if step_between(candidate, counts, identity, plateau, policy) in CARRIES_ON:
            self._begin(self._candidate_step, candidate, policy)
            self._result.runs[-1].add(plateau, policy)
            return False
        self._result.suspects.append(candidate)
        return True

    def _begin(self, step: Step | None, plateau: Plateau, policy: Policy) -> None:
        number = self._result.runs[-1].number + 1 if self._result.runs else 1
        run = Run(number, step, Identity())
        run.add(plateau, policy)
        self._result.runs.append(run)

    def finish(self) -> Runs:
        self._result.pending = self._candidate
        return self._result


def _stands(plateau: Plateau, policy: Policy) -> bool:
    """Seen again and again for the settle time: the repetition is the second witness."""
    return plateau.count > 1 and plateau.last_sent_us - plateau.first_received_us >= policy.settle_us
