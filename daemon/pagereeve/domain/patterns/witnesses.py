"""Counters of one channel against one another: what is not billed confirms or contradicts what is.

Only movements are compared. Levels that differ are no fault: one counter was reset once, or began later. A disagreement
over several brackets is told once, with what each counted against what was released; a billed counter that stood still
while another moved with each release gives way to that one.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import field, replace
from typing import Final, Literal

from pagereeve.domain.brackets.continuity import CARRIES_ON, Pace, counter_step, pace_between, pages_between
from pagereeve.domain.brackets.leads import Leads
from pagereeve.domain.brackets.prints import PRINTS, TOTAL, counter_channel
from pagereeve.domain.brackets.runs import Run, Sample
from pagereeve.domain.charging.postings import Posted
from pagereeve.domain.facts.facts import CounterChosen
from pagereeve.domain.facts.reading import Count, Counter, Sight, Unit
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.findings import finding as find
from pagereeve.domain.findings.evidence_codec import RELEASE_KEY
from pagereeve.domain.ledger import Finding, Grade, Interval, ReleaseKey, Stretch
from pagereeve.domain.values.codec import FIGURE, INSTANT, TEXT, Codec, Member, inner, placed
from pagereeve.domain.values.records import dataclass

# So many brackets in a row decide, for a disagreement and for its end: twice may be a counter that steps late.
ALIKE: Final = 3
# Of so many counters of a channel disagreements are remembered, and so many releases are named by each.
WITNESSES_MAX: Final = 8
NAMED_MAX: Final = 3

BY_A_PERSON: Final = "set-by-a-person"
Fits = Literal["billed", "witness", "both", "neither"]


@dataclass(frozen=True, slots=True)
class Disagreement:
    """A witness (its object) of the ``billed`` counter, over the brackets since it first disagreed.

    ``counted`` and ``moved`` are what the two counted, ``least`` to ``most`` what was released (no ``most``: nothing
    bounds it). In ``still`` of the brackets the billed counter stood though something should have moved it, in
    ``fitting`` the witness moved as was released. ``agreed``: so many latest ones in a row agreed again.
    """

    channel: str
    billed: str
    witness: str
    since_us: int
    counted: int
    moved: int
    brackets: int
    least: int
    most: int | None
    still: int
    fitting: int
    agreed: int
    releases: tuple[ReleaseKey, ...]

    @property
    def is_told(self) -> bool:
        return self.brackets >= ALIKE

    @property
    def fits(self) -> Fits:
        released = Interval(self.least, self.most)
        billed, witness = released.holds(self.counted), released.holds(self.moved)
        if billed and witness:
            return "both"
        return "billed" if billed else "witness" if witness else "neither"

    @property
    def gives_way(self) -> bool:
        """The billed counter is dead, and the witness counts what is released."""
        return self.is_told and self.still == self.fitting == self.brackets


@dataclass(frozen=True, slots=True)
class WitnessMemory:
    """Disagreements within one meter run, in order of their witnesses."""

    run: int = 0
    known: tuple[Disagreement, ...] = ()


NO_WITNESSES: Final = WitnessMemory()


@dataclass(slots=True)
class WitnessesWatched:
    states: list[tuple[int, WitnessMemory]] = field(default_factory=list)
    findings: list[tuple[int | None, Finding]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Bracket:
    """What the billed counter and its witnesses moved by, where that is known, in one bracket.

    ``prints``: the billed counter counts prints, in the total's place.
    """

    billed: Count
    counted: int
    expected: Interval
    moved: Mapping[str, tuple[Unit, int]]
    channel: str
    run: int
    since_us: int
    releases: tuple[ReleaseKey, ...]
    prints: bool


def watch_witnesses(
    printer: str,
    posted: Sequence[tuple[int, Posted]],
    leads: Leads,
    runs: Sequence[Run],
    before: WitnessMemory,
) -> WitnessesWatched:
    """Brackets in order of time; ``leads`` knows which channel speaks for a run, ``before`` is what was
    remembered of earlier ones.
    """
    watched, memory = WitnessesWatched(), before
    by_number = {run.number: run for run in runs if posted and _shows_counters(run)}
    if not by_number and not memory.known:
        return watched
    for at_us, row in sorted(posted, key=lambda one: (one[0], one[1].stretch.run, one[1].stretch.opens_us)):
        stretch = row.stretch
        if not stretch.releases or not leads.speaks(stretch):
            continue
        run = by_number.get(stretch.run)
        bracket = None if run is None else _bracket(row, run)
        if bracket is None and (memory.run == stretch.run or not memory.known):
            continue
        now = memory if _goes_on(memory, stretch) else WitnessMemory(stretch.run)
        now = now if bracket is None else _after(now, bracket)
        still_told = {one.witness for one in now.known if one.is_told} if now.run == memory.run else frozenset[str]()
        over = [one for one in memory.known if one.is_told and one.witness not in still_told]
        watched.findings += [(at_us, _finding(printer, memory.run, one, at_us)) for one in over]
        if now != memory:
            memory = now
            watched.states.append((at_us, memory))
    watched.findings += [(None, _finding(printer, memory.run, one)) for one in memory.known if one.is_told]
    return watched


def _goes_on(memory: WitnessMemory, stretch: Stretch) -> bool:
    """The same run, and the same channel speaks for it."""
    channel = counter_channel(stretch.channel)
    return memory.run == stretch.run and all(one.channel == channel for one in memory.known)


def _shows_counters(run: Run) -> bool:
    return any(sample.plateau.sight.counters for sample in run.samples)


def _bracket(row: Posted, run: Run) -> _Bracket | None:
    stretch = row.stretch
    if stretch.grade in {Grade.BROKEN, Grade.BLIND} or stretch.expected is None:
        return None
    left, right = sample_at(run, stretch.opens_us), sample_at(run, stretch.closes_us)
    billed = left.plateau.sight.count(stretch.channel)
    if billed is None or not billed.object:
        return None
    pace = pace_between(left.plateau, right.plateau, row.windows[0].release.policy)
    moved = dict(_moved(left.plateau.sight, right.plateau.sight, stretch.channel, pace, row))
    since_us = min(window.release.start_us for window in row.windows)
    counted, expected, releases = stretch.counted, stretch.expected, stretch.releases
    prints = left.plateau.sight.count(PRINTS)
    in_place = stretch.channel == TOTAL and prints is not None and prints.object == billed.object
    return _Bracket(billed, counted, expected, moved, stretch.channel, stretch.run, since_us, releases, in_place)


def sample_at(run: Run, at_us: int) -> Sample:
    place = bisect_right(run.samples, at_us, key=lambda one: one.plateau.first_received_us)
    return run.samples[max(0, place - 1)]


def _moved(
    before: Sight, after: Sight, channel: str, pace: Pace, row: Posted
) -> Iterator[tuple[str, tuple[Unit, int]]]:
    """Of each witness that both answers show, and that was not reset in between. One that stands at 0 has never
    counted: it witnesses nothing.
    """
    policy, billed, later = row.windows[0].release.policy, before.count(channel), _witnesses(after, channel)
    for name, counter in _witnesses(before, channel).items():
        if name not in later or (billed is not None and name == billed.object):
            continue
        old, new = _count(counter), _count(later[name])
        if old.value == new.value == 0:
            continue
        if counter_step(old, new, pace, policy) in CARRIES_ON:
            yield name, (new.unit, pages_between(old, new.value, policy))


def _witnesses(sight: Sight, channel: str) -> dict[str, Counter]:
    return {one.object: one for one in sight.counters if one.channel == counter_channel(channel) and not one.part}


def _count(counter: Counter) -> Count:
    return Count(counter.value, counter.unit, counter.modulus, counter.object, counter.grade)


def _after(memory: WitnessMemory, bracket: _Bracket) -> WitnessMemory:
    known = {one.witness: one for one in memory.known}
    for witness, (unit, moved) in bracket.moved.items():
        now = _seen(known.pop(witness, None), bracket, witness, unit, moved)
        if now is not None:
            known[witness] = now
    return replace(memory, known=tuple(known[witness] for witness in sorted(known)[:WITNESSES_MAX]))


def _seen(known: Disagreement | None, bracket: _Bracket, witness: str, unit: Unit, moved: int) -> Disagreement | None:
    """The disagreement after one more bracket; None where there is none, or no longer."""
    # Where prints stand in the total's place the total may count more: only whether it moves at all is compared.
    comparable = unit is bracket.billed.unit and unit is not Unit.UNKNOWN and not bracket.prints
    apart = moved != bracket.counted if comparable else (moved == 0) is not (bracket.counted == 0)
    if known is None:
        return _begun(bracket, witness, moved) if apart else None
    if not apart:
        agreed = known.agreed + bool(moved)
        # Of what was not told yet one that agrees is enough: a counter that steps late catches up.
        return replace(known, agreed=agreed) if known.is_told and agreed < ALIKE else None
    if comparable and known.counted + bracket.counted == known.moved + moved:
        return None
    return _joined(known, _begun(bracket, witness, moved))


def _begun(bracket: _Bracket, witness: str, moved: int) -> Disagreement:
    expected = bracket.expected
    return Disagreement(
        channel=counter_channel(bracket.channel),
        billed=bracket.billed.object,
        witness=witness,
        since_us=bracket.since_us,
        counted=bracket.counted,
        moved=moved,
        brackets=1,
        least=expected.least,
        most=expected.most,
        still=int(not bracket.counted and expected.least > 0),
        fitting=int(expected.holds(moved)),
        agreed=0,
        releases=bracket.releases[:NAMED_MAX],
    )


def _joined(known: Disagreement, new: Disagreement) -> Disagreement:
    return replace(
        known,
        counted=known.counted + new.counted,
        moved=known.moved + new.moved,
        brackets=known.brackets + 1,
        least=known.least + new.least,
        most=None if known.most is None or new.most is None else known.most + new.most,
        still=known.still + new.still,
        fitting=known.fitting + new.fitting,
        agreed=0,
        releases=(*known.releases, *new.releases)[:NAMED_MAX],
    )


def _finding(printer: str, run: int, one: Disagreement, until_us: int | None = None) -> Finding:
    what = shown.witnesses_disagree(
        channel=one.channel,
        billed=one.billed,
        counted=one.counted,
        witness=one.witness,
        moved=one.moved,
        brackets=one.brackets,
        released=Interval(one.least, one.most),
        fits=one.fits,
    )
    anchor = (run, one.channel, one.witness, one.since_us)
    evidence = [shown.release(key) for key in one.releases]
    return find.make("witnesses-disagree", printer, anchor, one.since_us, what, evidence, until_us)


def counters_wanted(memory: WitnessMemory, in_force: Sequence[CounterChosen]) -> tuple[CounterChosen, ...]:
    """What is to be in force by now: what is, and a living counter in the place of each that stands still."""
    chosen = {one.channel: one for one in in_force}
    for one in memory.known:
        known = chosen.get(one.channel)
        # What a person chose stays chosen; what was chosen already is not yet seen at work.
        if one.gives_way and (known is None or (known.object == one.billed and known.reason != BY_A_PERSON)):
            chosen[one.channel] = CounterChosen(one.channel, one.witness, "moves-with-releases")
    return tuple(chosen[channel] for channel in sorted(chosen))


_DISAGREEMENT: Final = Codec(
    Disagreement,
    Member("channel", TEXT),
    Member("billed", TEXT),
    Member("witness", TEXT),
    Member("since_us", INSTANT, "since"),
    Member("counted", FIGURE),
    Member("moved", FIGURE),
    Member("brackets", FIGURE),
    Member("least", FIGURE),
    Member("most", FIGURE, default=None),
    Member("still", FIGURE, default=0),
    Member("fitting", FIGURE, default=0),
    Member("agreed", FIGURE, default=0),
    Member("releases", placed(RELEASE_KEY, NAMED_MAX)),
)
WITNESS_MEMORY: Final = Codec(
    WitnessMemory,
    Member("run", FIGURE),
    Member("known", placed(inner(_DISAGREEMENT), WITNESSES_MAX), default=()),
)
