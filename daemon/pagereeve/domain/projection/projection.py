"""One printer's facts in, its ledger rows out: the whole algorithm (domain/README.md), as a pure function."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import field
from typing import Final, TypeVar

from pagereeve.domain.brackets.chosen import with_chosen
from pagereeve.domain.brackets.closing import Windows
from pagereeve.domain.brackets.expectation import CLAIMED_CHANNELS
from pagereeve.domain.brackets.gaps import Joining
from pagereeve.domain.brackets.jobs import JobHistory
from pagereeve.domain.brackets.leads import Leads
from pagereeve.domain.brackets.partition import Between, Broken, Partition, partitions
from pagereeve.domain.brackets.rests import moments_of
from pagereeve.domain.brackets.runs import Run, Runs, runs_of, split
from pagereeve.domain.brackets.timeline import Timeline
from pagereeve.domain.brackets.units import judged
from pagereeve.domain.brackets.unread_channels import is_given_up, unread
from pagereeve.domain.brackets.windows import Awaited, Release, Window, expected_of, opening_answer_us
from pagereeve.domain.charging.charges import Owed, charge_of, owed_unproven
from pagereeve.domain.charging.postings import (
    MAINTENANCE_DECIDED,
    WITNESSES_DISAGREE,
    Posted,
    named,
    postings_between,
    postings_broken,
)
from pagereeve.domain.facts.facts import Conflict
from pagereeve.domain.facts.policy import patient
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.findings import finding as find
from pagereeve.domain.findings.conflicts import Tallies, open_at, tallied
from pagereeve.domain.findings.from_timeline import noticed
from pagereeve.domain.findings.job_findings import jobs_disagree, unreleased_jobs
from pagereeve.domain.findings.overrun import overrun
from pagereeve.domain.findings.source_clocks import ClockTroubles, watch_clocks
from pagereeve.domain.findings.state_doubts import StateDoubt, watch_state
from pagereeve.domain.findings.waiting import Waiting, told, waiting_of
from pagereeve.domain.ledger import MAINTENANCE, STRAY, Charge, Finding, Grade, Posting, ReleaseKey, Stretch, Verdict
from pagereeve.domain.patterns.colour import colour_under_mono
from pagereeve.domain.patterns.memory import PatternMemory
from pagereeve.domain.patterns.patterns import follow
from pagereeve.domain.patterns.prints_proof import NO_PROOF, PrintsProof, watch_prints
from pagereeve.domain.patterns.tickets import holds_back
from pagereeve.domain.patterns.units import NO_UNITS, UnitMemory, watch_units
from pagereeve.domain.patterns.witnesses import NO_WITNESSES, WitnessMemory, watch_witnesses
from pagereeve.domain.values.records import dataclass

NO_HABITS: Final = PatternMemory()
UNKNOWN_PRINTER: Final = "unknown-printer"
State = TypeVar("State")


@dataclass(frozen=True, slots=True)
class Memory:
    """What a projection knows of what lies before its resume point: of brackets, of sources' clocks, of deliveries that
    contradicted earlier ones that day, of the printer's state, its counters' units, and counters that disagree or are
    proven.
    """

    habits: PatternMemory = NO_HABITS
    clocks: ClockTroubles = ()
    conflicts: Tallies = ()
    state: StateDoubt | None = None
    units: UnitMemory = NO_UNITS
    witnesses: WitnessMemory = NO_WITNESSES
    prints: PrintsProof = NO_PROOF


NOTHING_KNOWN: Final = Memory()


@dataclass(slots=True)
class Projected:
    """Every row, each with the instant at which it was settled (None while its stretch is open).

    ``habits``, ``clocks``, ``state``, ``units``, ``witnesses`` and ``prints`` are what was remembered from when on,
    ``conflicts`` those since ``before``; ``passed`` are surpluses that still print. ``waits`` is what has no verdict
    yet, by channel; at ``waits_told_us`` that becomes a finding, if nothing happens until then. ``unsettled_us`` are
    spans behind closed gaps whose jobs were told of at their ends.
    """

    runs: Runs
    windows: list[Window]
    before: Memory
    joining: Joining
    posted: list[tuple[int, Posted]] = field(default_factory=list)
    waiting: list[Charge] = field(default_factory=list)
    findings: list[tuple[int | None, Finding]] = field(default_factory=list)
    passed: list[tuple[Finding, Sequence[Window]]] = field(default_factory=list)
    habits: Sequence[tuple[int, PatternMemory]] = ()
    clocks: Sequence[tuple[int, ClockTroubles]] = ()
    conflicts: Sequence[Conflict] = ()
    waits: list[Waiting] = field(default_factory=list)
    waits_told_us: int | None = None
    state: Sequence[tuple[int, StateDoubt | None]] = ()
    units: Sequence[tuple[int, UnitMemory]] = ()
    witnesses: Sequence[tuple[int, WitnessMemory]] = ()
    prints: Sequence[tuple[int, PrintsProof]] = ()
    unsettled_us: list[tuple[int, int]] = field(default_factory=list)

    def stretches(self) -> list[Stretch]:
        return [one.stretch for _, one in self.posted]

    def postings(self) -> list[Posting]:
        return [one.posting for _, one in self.posted if one.posting is not None]

    def charges(self) -> list[Charge]:
        return [charge for _, one in self.posted for charge in one.charges] + self.waiting

    def memory_at(self, at_us: int) -> Memory:
        """What was remembered at an instant."""
        came = (one for one in self.conflicts if one.origin.at_us <= at_us)
        return Memory(
            _latest(self.habits, at_us, self.before.habits),
            _latest(self.clocks, at_us, self.before.clocks),
            open_at(tallied(self.before.conflicts, came), at_us),
            _latest(self.state, at_us, self.before.state),
            _latest(self.units, at_us, self.before.units),
            _latest(self.witnesses, at_us, self.before.witnesses),
            _latest(self.prints, at_us, self.before.prints),
        )


def _latest(states: Sequence[tuple[int, State]], at_us: int, before: State) -> State:
    place = bisect_right(states, at_us, key=lambda one: one[0])
    return states[place - 1][1] if place else before


def project(
    timeline: Timeline,
    first: Run | None = None,
    before: Memory = NOTHING_KNOWN,
    after_us: int = -1,
    known: Sequence[Window] = (),
) -> Projected:
    """Project a printer's timeline, from its beginning or from a resume point at ``after_us``: the run under way there,
    and what was remembered ``before``. ``known`` are windows of an earlier projection: what their releases should cost
    is not worked out again.
    """
    rules = timeline.rules
    plateaus = judged(with_chosen(timeline.plateaus, rules, after_us), rules)
    runs = split(plateaus, rules.policy_at, first, timeline.breaks_us())
    moments = moments_of(runs.runs)
    windows = Windows(moments, timeline.horizon_us).close(_releases(timeline, known))
    projected = Projected(runs, windows, before, Joining(rules), conflicts=tuple(timeline.conflicts))
    channels = sorted({channel for run in runs.runs for channel in run.channels()})
    own = {channel: runs_of(channel, runs.runs) for channel in channels}
    parted = [projected.joining.joined(part) for part in partitions(own, windows)]
    _advance(timeline, parted, projected)
    _wait(timeline, parted, projected, own)
    projected.findings += colour_under_mono(timeline.printer, projected.posted)
    _follow(timeline, projected, after_us)
    projected.waits = waiting_of(parted, own, windows)
    waited = told(timeline, windows, moments)
    projected.findings += waited.findings
    projected.waits_told_us = waited.due_us
    projected.findings += noticed(timeline, runs.runs, windows, moments)
    tallies = tallied(before.conflicts, timeline.conflicts)
    projected.findings += [(one.until_us, one.finding(timeline.printer)) for one in tallies]
    # A damaged fact is kept as long as the plateau that it lies in: it is told once.
    fresh = (one for one in timeline.damaged if one.at_us > after_us)
    projected.findings += [(one.at_us, find.of_damage(one)) for one in fresh]
    if rules.decisions:
        projected.findings = [(at_us, find.decided(one, rules.decisions)) for at_us, one in projected.findings]
    return projected


def _releases(timeline: Timeline, known: Sequence[Window]) -> list[Release]:
    before = {window.release.started.origin.key: window.release for window in known}
    releases = []
    for started in timeline.starts:
        key, at_us = started.origin.key, started.origin.at_us
        again = timeline.again.get(key)
        if again == "echo":
            continue
        policy, settle_us = timeline.rules.policy_at(at_us), timeline.rules.settle_us(at_us)
        ended, answered = timeline.ends.get(key), timeline.answers.get(key)
        answered_us = None if answered is None else opening_answer_us(started, ended, answered)
        policy = patient(policy) if policy.by_panel else policy
        believed = timeline.rules.state_believed(at_us)
        made_of = (started, ended, policy, settle_us, again, answered_us, believed)
        release = before.get(key)
        releases.append(release if release is not None and release.made_of == made_of else Release(*made_of))
    return releases


def _follow(timeline: Timeline, projected: Projected, after_us: int) -> None:
    """What shows only over many brackets, or many notices."""
    leads = Leads.of(projected.runs.runs)
    decided = frozenset(one.finding for one in timeline.rules.decisions)
    followed = follow(timeline.printer, projected.posted, leads, projected.before.habits, decided)
    clocks = watch_clocks(timeline, projected.before.clocks, after_us)
    state = watch_state(timeline.printer, projected.windows, projected.before.state)
    units = watch_units(timeline.printer, timeline.rules, projected.posted, projected.runs.runs, projected.before.units)
    own = (timeline.printer, projected.posted, leads, projected.runs.runs)
    witnesses = watch_witnesses(*own, projected.before.witnesses)
    projected.habits, projected.clocks = tuple(followed.states), tuple(clocks.states)
    projected.witnesses, projected.state = tuple(witnesses.states), tuple(state.states)
    projected.units = tuple(units.states)
    projected.prints = tuple(watch_prints(projected.posted, projected.runs.runs, projected.before.prints))
    sources = (followed.states[-1][1] if followed.states else projected.before.habits).tickets
    printing = (one for one, windows in projected.passed if not holds_back(sources, windows, decided))
    projected.findings += [(None, one) for one in printing]
    for place, (at_us, one) in enumerate(projected.findings):
        if one.id in followed.suggestions:
            projected.findings[place] = (at_us, find.with_evidence(one, [followed.suggestions[one.id]]))
    told = [(at_us, one) for at_us, one in projected.findings if one.id not in followed.held]
    projected.findings = [*told, *followed.findings, *clocks.findings, *state.findings]
    projected.findings += [*units.findings, *witnesses.findings]


def _advance(timeline: Timeline, parted: Sequence[Partition], projected: Projected) -> None:
    jobs = JobHistory.of(timeline.jobs)
    rows = {part.channel: [_rows_of(timeline, part.channel, piece, jobs) for piece in part.pieces] for part in parted}
    counted = _counted(rows)
    for channel, pieces in rows.items():
        for at_us, posted in pieces:
            for one in posted:
                projected.posted.append((at_us, one))
                told = _told(channel, one) and not (one.stretch.grade is Grade.BROKEN and _is_counted(one, counted))
                finding = find.of_stretch(named(one), one.windows, _stray(one)) if told else None
                if finding is not None:
                    projected.findings.append((at_us, finding))
                if channel in CLAIMED_CHANNELS and WITNESSES_DISAGREE in one.stretch.reasons:
                    projected.findings.append((at_us, jobs_disagree(one.stretch, one.windows)))
    for part in parted:
        if part.channel in CLAIMED_CHANNELS:
            for job in unreleased_jobs(timeline.printer, part.pieces, projected.windows, jobs):
                projected.findings.append((job.settled_us, job.finding))
                projected.unsettled_us.append((job.ended_us, job.settled_us))


def _stray(posted: Posted) -> int:
    """Pages of a gap that are a finding: what somebody says of them later makes them none the fewer."""
    legs = () if posted.posting is None else posted.posting.legs
    account = MAINTENANCE if MAINTENANCE_DECIDED in posted.stretch.reasons else STRAY
    return sum(pages for name, pages in legs if name == account)


def _rows_of(timeline: Timeline, channel: str, piece: Between | Broken, jobs: JobHistory) -> tuple[int, list[Posted]]:
    if isinstance(piece, Between):
        return piece.closing.from_us, postings_between(timeline.printer, channel, piece, timeline.rules, jobs)
    return piece.closing.from_us, postings_broken(timeline.printer, channel, piece)


def _told(channel: str, posted: Posted) -> bool:
    """A broken stretch has a row for each run but is one finding; parts of the total are not reported again."""
    if channel not in CLAIMED_CHANNELS:
        return False
    return not posted.windows or bool(posted.charges)


def _counted(rows: Mapping[str, Sequence[tuple[int, Sequence[Posted]]]]) -> frozenset[ReleaseKey]:
    """Releases that the total counts."""
    stretches = [row.stretch for _, posted in rows.get("total", ()) for row in posted]
    return frozenset(key for one in stretches if one.grade not in {Grade.BROKEN, Grade.BLIND} for key in one.releases)


def _is_counted(posted: Posted, counted: frozenset[ReleaseKey]) -> bool:
    return counted.issuperset(posted.stretch.releases)


def _wait(
    timeline: Timeline, parted: Sequence[Partition], projected: Projected, own: Mapping[str, Sequence[Run]]
) -> None:
    """Releases whose stretch is not closed: still open, or given up by the longest wait without a reading."""
    if not parted:
        # No meter was ever read, and where none is registered none will be: there is nothing to wait for.
        unknown = not timeline.rules.registered and not timeline.silences
        for window in projected.windows:
            given_up = unknown or is_given_up(window, None)
            _wait_one(timeline, "total", None, window, projected, unknown=unknown, given_up=given_up)
    for part in parted:
        unit = part.last.count.unit if part.last is not None else None
        without = unread(part.channel, own[part.channel]) if part.waiting else None
        for window in part.waiting:
            _wait_one(timeline, part.channel, unit, window, projected, given_up=is_given_up(window, without))
        if part.channel in CLAIMED_CHANNELS:
            passed = overrun(timeline.printer, part, own[part.channel], timeline.rules)
            projected.passed += [] if passed is None else [(passed, part.waiting)]


def _wait_one(
    timeline: Timeline,
    channel: str,
    unit: Unit | None,
    window: Window,
    projected: Projected,
    *,
    given_up: bool,
    unknown: bool = False,
) -> None:
    """``unknown``: nobody registered the printer. Its finding names all such releases."""
    release = window.release
    closed_us = window.closes_us if window.closes_us is not None else release.end_us or release.start_us
    why = UNKNOWN_PRINTER if unknown else "no-reading-after" if given_up else "window-open"
    awaited = (unit, closed_us if given_up else None, why, window.stalled)
    projected.waiting.append(release.waiting_as(channel, awaited, lambda: _waits(window, channel, awaited)))
    if given_up and not unknown and channel in CLAIMED_CHANNELS:
        anchor = (channel, *release.started.origin.key)
        what, evidence = shown.no_count(1, Grade.BLIND), [shown.release(release.key)]
        finding = find.make("unproven-release", timeline.printer, anchor, release.start_us, what, evidence)
        projected.findings.append((None, finding))


def _waits(window: Window, channel: str, awaited: Awaited) -> Charge:
    """The row of a release that no stretch has."""
    unit, closed_us, why, stalled = awaited
    given_up = closed_us is not None
    expectation = expected_of(channel, unit or Unit.IMPRESSIONS, window.release)
    return charge_of(
        window,
        expectation,
        owed_unproven(expectation, channel, window.release) if given_up else Owed(0),
        channel=channel,
        unit=unit,
        closed_us=closed_us,
        counted=None,
        grade=Grade.BLIND if given_up else None,
        verdict=Verdict.UNPROVEN if given_up else None,
        reasons=[*expectation.reasons, why, *(["stalled"] if stalled else [])],
    )
