"""Meter runs: the stretches of a printer's life in which its readings can be subtracted (domain/README.md, step 1)."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Container, Iterable, Mapping, Sequence
from dataclasses import field, replace
from typing import Final

from pagereeve.domain.brackets.continuity import (
    CARRIES_ON,
    NEEDS_WITNESS,
    Identity,
    Pace,
    Step,
    clock_goes_on,
    clock_stands_alone,
    counter_step,
    pace_between,
    restart_is_confirmed,
    step_between,
)
from pagereeve.domain.brackets.prints import PRINTS_ALONE, SHEETS, TOTAL, with_prints_alone
from pagereeve.domain.brackets.sums import NO_PARTS, Parts, all_parts_of, pages_of_sum, sum_step
from pagereeve.domain.brackets.units import held_unit, with_counts
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Count, Plateau
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.domain.values.records import dataclass

PolicyAt = Callable[[int], Policy]

LEADS: Final = (TOTAL, SHEETS, PRINTS_ALONE)
"""Of these the first that the meter has carries a run on. Where it has none, each of its channels does."""
_LEADS_ALONE: Final = tuple((lead,) for lead in LEADS)
COMMON_LEADS: Final = (TOTAL, SHEETS)
GONE_US: Final = 3_600 * SECOND_US
"""A channel that the meter did not answer for so long, while it was read on, is gone: what it shows later, if it comes
back, is counted anew. Nothing may wait for it without end. Our choice.
"""
NO_CHANNELS: Final[frozenset[str]] = frozenset()


@dataclass(frozen=True, slots=True)
class Sample:
    """A good plateau on its run. ``totals`` count on across wraps, so that any two of a run can be subtracted.

    They count on across a channel's own breaks as well, without what nobody knows of it. ``numbers`` are the runs of
    the channels that broke since this one began, or are gone; ``doubted`` channels show here what nothing confirmed.
    ``odd_clock``: the agent's clock was off in this answer alone. ``lacking``: a channel is not in it that may still
    come back.
    """

    plateau: Plateau
    totals: tuple[tuple[str, int], ...]
    restarted: bool = False
    numbers: tuple[tuple[str, int], ...] = ()
    doubted: tuple[str, ...] = ()
    odd_clock: bool = False
    lacking: bool = False
    _believed: dict[str, int] = field(init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        believed = dict(self.totals)
        for channel in self.doubted:
            believed.pop(channel, None)
        object.__setattr__(self, "_believed", believed)

    def total(self, channel: str) -> int | None:
        return self._believed.get(channel)

    def number(self, channel: str) -> int | None:
        """The channel's own run; None where it is the one that all began with."""
        return next((number for name, number in self.numbers if name == channel), None)


@dataclass(frozen=True, slots=True)
class ChannelBreak:
    """One channel's own run ended between two readings, and ``number`` began; the others went on."""

    channel: str
    number: int
    step: Step
    before: Plateau
    after: Plateau


@dataclass(frozen=True, slots=True)
class _Odd:
    """What a channel showed in the sample at ``place``, which waits for a witness."""

    place: int
    count: Count
    parts: Parts
    step: Step


@dataclass(slots=True)
class Run:
    """Samples in order. ``began`` says what ended the run before it; None where no reading came before.

    The channel that leads it carries it on, until it is gone. Another's own run may end within it: ``numbers`` are of
    those that did, ``breaks`` say how, ``odd`` is what waits for a witness, ``lacked_us`` since when a channel has not
    been answered.
    ``known_us``: of a run that is taken up again, an instant at which its first sample's count was known already.
    ``leads``: which channel speaks for it from when on.
    """

    number: int
    began: Step | None
    identity: Identity
    samples: list[Sample] = field(default_factory=list)
    last_totals: dict[str, int] = field(default_factory=dict)
    last_counts: dict[str, Count] = field(default_factory=dict)
    known_us: int | None = None
    numbers: dict[str, int] = field(default_factory=dict)
    breaks: list[ChannelBreak] = field(default_factory=list)
    odd: dict[str, _Odd] = field(default_factory=dict)
    last_parts: dict[str, Parts] = field(default_factory=dict)
    lacked_us: dict[str, int] = field(default_factory=dict)
    gone: frozenset[str] = NO_CHANNELS
    leads: list[tuple[int, str]] = field(default_factory=list)
    _paced: tuple[Plateau, Plateau, Policy, Pace] | None = field(default=None, compare=False, repr=False)

    def known_from_us(self, sample: Sample) -> int:
        """Since when the sample's count is known, by itself or by what was known before."""
        if self.known_us is None or sample is not self.samples[0]:
            return sample.plateau.first_received_us
        return min(sample.plateau.first_received_us, self.known_us)

    def add(self, plateau: Plateau, policy: Policy) -> None:
        """Take a reading whose leading channel carries the run on."""
        before = self.samples[-1].plateau if self.samples else None
        # Who led until now: what leads from now on, as that is gone, is believed as any other still.
        deciding = deciding_of(self.last_counts)
        channels = plateau.sight.channels
        if lacks := self._lacks(channels):
            self._lack(plateau, COMMON_LEADS)
        named = with_prints_alone(plateau, self.last_counts)
        if named is not plateau:
            plateau, channels, lacks = named, named.sight.channels, True
        doubted, held = self._take_counts(plateau, policy, deciding)
        if held:
            plateau = with_counts(plateau, held)
        if lacks and self._lacks(channels):
            self._lack(plateau, [one for one in sorted(self.last_counts) if one not in COMMON_LEADS])
        self._lead(plateau)
        totals = tuple([(channel, self.last_totals[channel]) for channel in channels])
        numbers = () if not self.numbers else self._numbers_among(channels)
        again = before is not None and not self._was_odd(plateau) and self._pace(before, plateau, policy).restart
        self.samples.append(Sample(plateau, totals, again, numbers, tuple(doubted), lacking=bool(self.lacked_us)))
        self.identity = self.identity.joined(plateau)

    def _take_counts(
        self, plateau: Plateau, policy: Policy, deciding: tuple[str, ...] | None
    ) -> tuple[list[str], dict[str, Count]]:
        """(channels that wait for a witness, counts that keep the unit of the level they go on with)."""
        sums = all_parts_of(plateau.sight)
        doubted: list[str] = []
        held: dict[str, Count] = {}
        for channel, count in plateau.sight.counts:
            parts = sums.get(channel, NO_PARTS)
            if channel not in self.last_counts:
                self.last_totals[channel] = count.value
            elif not self.samples or deciding is None or channel in deciding:
                self._count_on(channel, count, parts, policy)
                if self.odd:
                    self.odd.pop(channel, None)
            elif not self._is_believed(channel, count, parts, plateau, policy):
                doubted.append(channel)
                continue
            one = held_unit(self.last_counts.get(channel), count)
            if one is not count:
                held[channel] = one
            self.last_counts[channel], self.last_parts[channel] = one, parts
        return doubted, held

    def _pace(self, before: Plateau, after: Plateau, policy: Policy) -> Pace:
        """The latest one is kept: each channel asks for the same."""
        paced = self._paced
        if paced is None or paced[0] is not before or paced[1] is not after or paced[2] is not policy:
            paced = self._paced = (before, after, policy, pace_between(before, after, policy))
        return paced[3]

    def _lacks(self, shown: Sequence[str]) -> bool:
        """A channel is missing, or was."""
        return bool(self.lacked_us) or not self.last_counts.keys() <= {*shown}

    def _lack(self, plateau: Plateau, channels: Iterable[str]) -> None:
        """Which of the channels are missing, and which have been for so long that they are gone."""
        at_us, shown = plateau.first_received_us, plateau.sight.channels
        for channel in channels:
            if channel in shown or channel not in self.last_counts:
                self.lacked_us.pop(channel, None)
            elif at_us - self.lacked_us.setdefault(channel, at_us) >= GONE_US:
                self.numbers[channel] = self.latest_number + 1
                self.gone |= {channel}
                for known in (self.last_counts, self.last_totals, self.last_parts, self.odd, self.lacked_us):
                    known.pop(channel, None)

    def _lead(self, plateau: Plateau) -> None:
        lead = TOTAL if TOTAL in self.last_counts else next((one for one in LEADS if one in self.last_counts), SHEETS)
        if not self.leads or self.leads[-1][1] != lead:
            self.leads.append((plateau.first_received_us, lead))

    def lead_at(self, at_us: int) -> str:
        """The channel that speaks for the run at an instant: what a ticket determines best of those that it has."""
        if len(self.leads) == 1:
            return self.leads[0][1]
        place = bisect_right(self.leads, at_us, key=lambda one: one[0])
        return self.leads[max(0, place - 1)][1] if self.leads else SHEETS

    def _numbers_among(self, shown: Sequence[str]) -> tuple[tuple[str, int], ...]:
        """Of channels that are shown, or gone."""
        known = sorted(self.numbers.items())
        return tuple((one, number) for one, number in known if one in shown or one not in self.last_counts)

    def _was_odd(self, plateau: Plateau) -> bool:
        """The agent's clock was odd in the latest answer alone: this one fits those before it, and that one doesn't.

        Then nothing restarted, and that is taken back.
        """
        if len(self.samples) < 2 or not clock_stands_alone(self.samples[-2].plateau, self.samples[-1].plateau):
            return False
        if clock_goes_on(self.samples[-2].plateau, plateau) is not True:
            return False
        self.samples[-1] = replace(self.samples[-1], restarted=False, odd_clock=True)
        return True

    def _count_on(self, channel: str, count: Count, parts: Parts, policy: Policy) -> None:
        old = self.last_counts[channel]
        if count.value >= old.value:
            self.last_totals[channel] += count.value - old.value
            return
        both = self.last_parts.get(channel, NO_PARTS), parts
        self.last_totals[channel] += pages_of_sum(old, count, both, policy)

    def _is_believed(self, channel: str, count: Count, parts: Parts, plateau: Plateau, policy: Policy) -> bool:
        """Take what a channel shows that does not lead; False where that waits for a witness."""
        before, both = self._believed(channel, len(self.samples)), (self.last_parts.get(channel, NO_PARTS), parts)
        pace = self._pace(before, plateau, policy)
        if parts:
            step = sum_step(self.last_counts[channel], count, both, pace, policy)
        else:
            step = counter_step(self.last_counts[channel], count, pace, policy)
        odd = self.odd.pop(channel, None) if self.odd else None
        if odd is not None and not (step in CARRIES_ON and not self._fell_back(odd, before, plateau)):
            shown = self.samples[odd.place].plateau
            pace, both = pace_between(shown, plateau, policy), (odd.parts, parts)
            if sum_step(odd.count, count, both, pace, policy) in CARRIES_ON:
                self._break(channel, odd.step, odd.place, shown)
                self._confirm(channel, odd.place)
                self.last_counts[channel], self.last_parts[channel], step = odd.count, odd.parts, Step.MOVED
        if step in CARRIES_ON:
            self._count_on(channel, count, parts, policy)
            return True
        if step in NEEDS_WITNESS and not stands(plateau, policy):
            self.odd[channel] = _Odd(len(self.samples), count, parts, step)
            return False
        self._break(channel, step, len(self.samples), plateau)
        return True

    def _fell_back(self, odd: _Odd, before: Plateau, plateau: Plateau) -> bool:
        """A restart lost the pages that were not saved: what was counted since may hide that."""
        shown = self.samples[odd.place].plateau
        return odd.step is Step.FELL_BACK and restart_is_confirmed(before, shown, plateau)

    def _believed(self, channel: str, until: int) -> Plateau:
        """The last reading before a place that shows nothing odd in the channel; the first one never does."""
        place = until - 1
        while channel in self.samples[place].doubted:
            place -= 1
        return self.samples[place].plateau

    def _break(self, channel: str, step: Step, place: int, after: Plateau) -> None:
        number = self.latest_number + 1
        self.numbers[channel] = number
        self.breaks.append(ChannelBreak(channel, number, step, self._believed(channel, place), after))

    def _confirm(self, channel: str, place: int) -> None:
        """What waited for a witness at a place began the channel's run."""
        sample = self.samples[place]
        numbers = tuple(sorted({**dict(sample.numbers), channel: self.numbers[channel]}.items()))
        doubted = tuple(name for name in sample.doubted if name != channel)
        self.samples[place] = replace(sample, numbers=numbers, doubted=doubted)

    @property
    def latest_number(self) -> int:
        return max(self.number, *self.numbers.values()) if self.numbers else self.number

    def step_to(self, plateau: Plateau, policy: Policy) -> Step:
        plateau = with_prints_alone(plateau, self.last_counts)
        before, parts = self.samples[-1].plateau, (self.last_parts, all_parts_of(plateau.sight))
        pace = self._pace(before, plateau, policy)
        return _step(before, self.last_counts, self.identity, plateau, policy, parts, pace)

    def channels(self) -> tuple[str, ...]:
        """Those that it has shown; some may be gone."""
        return tuple(sorted(self.gone.union(self.last_totals)))

    def has_shown_any(self, channels: frozenset[str]) -> bool:
        return not channels.isdisjoint(self.last_totals) or not channels.isdisjoint(self.gone)


def deciding_of(channels: Container[str]) -> tuple[str, ...] | None:
    """The channel that carries a run on, by its name; None where each one does."""
    for lead in _LEADS_ALONE:
        if lead[0] in channels:
            return lead
    return None


def _step(
    before: Plateau,
    counts: Mapping[str, Count],
    identity: Identity,
    after: Plateau,
    policy: Policy,
    parts: tuple[Mapping[str, Parts], Mapping[str, Parts]],
    pace: Pace | None = None,
) -> Step:
    deciding = deciding_of(counts)
    if not parts[1]:
        return step_between(before, counts, identity, after, policy, deciding, pace=pace)

    def step_of(channel: str, old: Count, new: Count, pace: Pace) -> Step:
        mine = parts[0].get(channel, NO_PARTS), parts[1].get(channel, NO_PARTS)
        return sum_step(old, new, mine, pace, policy)

    return step_between(before, counts, identity, after, policy, deciding, step_of, pace)


def runs_of(channel: str, runs: Sequence[Run]) -> list[Run]:
    """The channel's own runs, in order: a printer's, parted where the channel broke within one."""
    return [one for run in runs for one in _parted(channel, run)]


def _parted(channel: str, run: Run) -> list[Run]:
    if channel not in run.numbers:
        return [run]
    shown = [sample.number(channel) or run.number for sample in run.samples if sample.total(channel) is not None]
    parts: list[Run] = []
    for sample in run.samples:
        number = parts[-1].number if parts else next(iter(shown), run.number)
        if sample.total(channel) is not None:
            number = sample.number(channel) or run.number
        elif channel not in sample.plateau.sight.channels:
            # It is gone, if a number stands here all the same.
            number = sample.number(channel) or number
        if not parts or number != parts[-1].number:
            known_us = None if parts else run.known_us
            known = run.last_totals, run.last_counts, known_us
            parts.append(Run(number, run.began, run.identity, [], *known, gone=run.gone))
        parts[-1].samples.append(sample)
    return parts


@dataclass(slots=True)
class Runs:
    """``suspects`` are readings that nothing confirmed: kept as evidence, used for nothing.

    ``pending`` is a reading at the end that still waits for a witness: neither believed nor dropped yet.
    """

    runs: list[Run]
    suspects: list[Plateau] = field(default_factory=list)
    pending: Plateau | None = None

    @property
    def unwitnessed(self) -> bool:
        """Something that the last readings showed waits for another."""
        return self.pending is not None or bool(self.runs and self.runs[-1].odd)


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
        elif step in NEEDS_WITNESS and not stands(plateau, policy):
            self._candidate, self._candidate_step = plateau, step
        else:
            self._begin(step, plateau, policy)

    def _breaks(self, before: Plateau, after: Plateau, policy: Policy) -> bool:
        if not self._breaks_us:
            return False
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
        before = run.samples[-1].plateau
        fell = self._candidate_step is Step.FELL_BACK and restart_is_confirmed(before, candidate, plateau)
        if not fell and run.step_to(plateau, policy) in CARRIES_ON:
            self._result.suspects.append(candidate)
            return True
        counts, identity = dict(candidate.sight.counts), run.identity.joined(candidate)
        parts = all_parts_of(candidate.sight), all_parts_of(plateau.sight)
        if _step(candidate, counts, identity, plateau, policy, parts) in CARRIES_ON:
            self._begin(self._candidate_step, candidate, policy)
            self._result.runs[-1].add(plateau, policy)
            return False
        self._result.suspects.append(candidate)
        return True

    def _begin(self, step: Step | None, plateau: Plateau, policy: Policy) -> None:
        number = self._result.runs[-1].latest_number + 1 if self._result.runs else 1
        run = Run(number, step, Identity())
        run.add(plateau, policy)
        self._result.runs.append(run)

    def finish(self) -> Runs:
        self._result.pending = self._candidate
        return self._result


def stands(plateau: Plateau, policy: Policy) -> bool:
    """Seen again and again for the settle time: the repetition is the second witness."""
    return plateau.count > 1 and plateau.last_sent_us - plateau.first_received_us >= policy.settle_us


def rested_before(run: Run, place: int) -> Sample | None:
    """Of a sample that found the printer busy the one before, at the same counts, in which it rested: what it is busy
    with began in between.
    """
    for nth in range(place, 0, -1):
        here, before = run.samples[nth], run.samples[nth - 1]
        if here.plateau.sight.resting or before.totals != here.totals:
            return None
        if before.plateau.sight.resting:
            return before
    return None
