"""One printer's facts in, its ledger rows out: the whole of DESIGN.md 3.4, as a pure function."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from pagereeve.domain import findings as find
from pagereeve.domain.charging import Owed, charge_of, owed_unproven
from pagereeve.domain.expectation import CLAIMED_CHANNELS, FUNCTION_CHANNELS, expect
from pagereeve.domain.facts import BadgePresented, Conflict, Fact, Read, ReadFailed, ReleaseEnded, ReleaseStarted
from pagereeve.domain.functions import functions_counted, span_of, without_functions
from pagereeve.domain.instants import to_text
from pagereeve.domain.ledger import STRAY, Charge, Finding, Grade, Posting, ReleaseKey, Stretch, Verdict
from pagereeve.domain.partition import Between, Broken, Partition, partition
from pagereeve.domain.reading import Plateau, Silence, Unit
from pagereeve.domain.rules import NOTE_REACH_US, Rules
from pagereeve.domain.runs import Run, Runs, split
from pagereeve.domain.settle import Settled, settle_between, settle_broken
from pagereeve.domain.windows import Moment, Release, Window, Windows, moments_of

EventKey = tuple[str, str]
# Silences shorter than this many failed reads are a lost datagram, not a silent meter.
SILENCE_TRIES_MIN = 2


@dataclass(slots=True)
class Timeline:
    """One printer's facts, sorted by kind and time, each once, whatever their order of arrival."""

    printer: str
    plateaus: list[Plateau]
    silences: list[Silence]
    starts: list[ReleaseStarted]
    ends: dict[tuple[str, str], ReleaseEnded]
    badges: list[BadgePresented]
    conflicts: list[Conflict]
    rules: Rules

    @classmethod
    def of(cls, printer: str, facts: Iterable[Fact], rules: Rules) -> Timeline:
        timeline = cls(printer, [], [], [], {}, [], [], rules)
        for fact in facts:
            timeline.add(fact)
        timeline.plateaus.sort(key=lambda one: (one.first_received_us, one.last_received_us))
        timeline.silences.sort(key=lambda one: (one.first_sent_us, one.last_received_us))
        timeline.starts.sort(key=start_order)
        return timeline

    def add(self, fact: Fact) -> None:
        match fact:
            case Read():
                self.plateaus.append(fact.plateau)
            case ReadFailed():
                self.silences.append(fact.silence)
            case ReleaseStarted():
                self.starts.append(fact)
            case ReleaseEnded():
                self._add_end(fact)
            case BadgePresented():
                self.badges.append(fact)
            case Conflict():
                self.conflicts.append(fact)
            case _:
                pass

    def _add_end(self, ended: ReleaseEnded) -> None:
        """Of several end notices of a release the earliest counts; a tie goes to the smaller identity."""
        key = (ended.origin.source, ended.release)
        known = self.ends.get(key)
        if known is None or end_order(ended) < end_order(known):
            self.ends[key] = ended

    @property
    def horizon_us(self) -> int:
        """How far the facts reach: what the projection takes for *now*."""
        times = [plateau.last_received_us for plateau in self.plateaus]
        times += [silence.last_received_us for silence in self.silences]
        times += [started.origin.at_us for started in self.starts]
        times += [ended.origin.at_us for ended in self.ends.values()]
        return max(times, default=0)


def repeats_among(starts: Iterable[ReleaseStarted]) -> frozenset[EventKey]:
    """Start notices whose release another notice started earlier: a release happens once for its source."""
    first: dict[tuple[str, str], EventKey] = {}
    repeats: set[EventKey] = set()
    for started in sorted(starts, key=start_order):
        identity = (started.origin.source, started.origin.id)
        if first.setdefault((started.origin.source, started.release), identity) != identity:
            repeats.add(identity)
    return frozenset(repeats)


def start_order(started: ReleaseStarted) -> tuple[int, str, str]:
    return (started.origin.at_us, started.origin.source, started.origin.id)


def end_order(ended: ReleaseEnded) -> tuple[int, str, str]:
    return (ended.origin.at_us, ended.origin.id, ended.outcome)


@dataclass(slots=True)
class Projected:
    """Every row, each with the instant at which it was settled (None while its stretch is open)."""

    runs: Runs
    windows: list[Window]
    settled: list[tuple[int, Settled]] = field(default_factory=list)
    waiting: list[Charge] = field(default_factory=list)
    findings: list[tuple[int | None, Finding]] = field(default_factory=list)

    def stretches(self) -> list[Stretch]:
        return [one.stretch for _, one in self.settled]

    def postings(self) -> list[Posting]:
        return [one.posting for _, one in self.settled if one.posting is not None]

    def charges(self) -> list[Charge]:
        return [charge for _, one in self.settled for charge in one.charges] + self.waiting


def project(timeline: Timeline, first: Run | None = None, repeats: frozenset[EventKey] = frozenset()) -> Projected:
    """Project a printer's timeline, from its beginning or from the run under way at a seed.

    ``repeats`` are the identities of start notices whose release was started before by an earlier notice.
    """
    rules = timeline.rules
    runs = split(timeline.plateaus, rules.policy_at, first)
    moments = moments_of(runs.runs)
    windows = Windows(moments, timeline.horizon_us).close(_releases(timeline, repeats))
    projected = Projected(runs, windows)
    channels = sorted({channel for run in runs.runs for channel in run.channels()})
    parted = [partition(channel, runs.runs, windows) for channel in channels]
    _settle(timeline, parted, projected)
    _wait(timeline, parted, projected)
    _find(timeline, moments, projected)
    return projected


def _releases(timeline: Timeline, repeats: frozenset[EventKey]) -> list[Release]:
    releases = []
    for started in timeline.starts:
        origin = started.origin
        repeat = (origin.source, origin.id) in repeats
        ended = None if repeat else timeline.ends.get((origin.source, started.release))
        policy = timeline.rules.policy_at(origin.at_us)
        releases.append(Release(started, ended, policy, timeline.rules.settle_us(origin.at_us), repeat))
    return releases


def _settle(timeline: Timeline, parted: Sequence[Partition], projected: Projected) -> None:
    rows = {part.channel: [_rows_of(timeline, part.channel, piece) for piece in part.pieces] for part in parted}
    functions = functions_counted(
        {name: [one for _, settled in rows[name] for one in settled] for name in FUNCTION_CHANNELS if name in rows}
    )
    for channel, pieces in rows.items():
        for at_us, settled in pieces:
            for row in settled:
                one = row
                if functions and channel == "total":
                    one = without_functions(row, functions.get(span_of(row.stretch), 0))
                projected.settled.append((at_us, one))
                finding = find.of_stretch(one.stretch, one.windows, _stray(one)) if _told(channel, one) else None
                if finding is not None:
                    projected.findings.append((at_us, finding))


def _stray(settled: Settled) -> int:
    legs = () if settled.posting is None else settled.posting.legs
    return sum(pages for account, pages in legs if account == STRAY)


def _rows_of(timeline: Timeline, channel: str, piece: Between | Broken) -> tuple[int, list[Settled]]:
    if isinstance(piece, Between):
        return piece.closing.from_us, settle_between(timeline.printer, channel, piece, timeline.rules)
    return piece.closing.from_us, settle_broken(timeline.printer, channel, piece)


def _told(channel: str, settled: Settled) -> bool:
    """A broken stretch has a row for each run but is one finding; parts of the total are not told again."""
    if channel not in CLAIMED_CHANNELS:
        return False
    return not settled.windows or bool(settled.charges)


def _wait(timeline: Timeline, parted: Sequence[Partition], projected: Projected) -> None:
    """Releases whose stretch is not closed: still open, or given up by the longest wait without a reading."""
    if not parted:
        for window in projected.windows:
            _wait_one(timeline, "total", None, window, projected)
    for part in parted:
        unit = part.last.count.unit if part.last is not None else None
        for window in part.waiting:
            _wait_one(timeline, part.channel, unit, window, projected)


def _wait_one(timeline: Timeline, channel: str, unit: Unit | None, window: Window, projected: Projected) -> None:
    release = window.release
    expectation = expect(channel, unit or Unit.IMPRESSIONS, release.started.ticket, release.ended, release.policy)
    given_up = window.closing == "longest-wait"
    charge = charge_of(
        window,
        expectation,
        owed_unproven(expectation, channel, window.release) if given_up else Owed(0, 0),
        channel=channel,
        unit=unit,
        closed_us=window.closes_us if given_up else None,
        counted=None,
        grade=Grade.BLIND if given_up else None,
        verdict=Verdict.UNPROVEN if given_up else None,
        reasons=[*expectation.reasons, *(["no-reading-after"] if given_up else ["window-open"])]
        + (["stalled"] if window.stalled else []),
    )
    projected.waiting.append(charge)
    if given_up and channel in CLAIMED_CHANNELS:
        anchor = (channel, release.key.source, release.key.release)
        text = "no count proves what the release printed (blind)"
        finding = find.make(
            "unproven-release", timeline.printer, anchor, release.start_us, text, [find.release_line(release.key)]
        )
        projected.findings.append((None, finding))


def _find(timeline: Timeline, moments: Sequence[Moment], projected: Projected) -> None:
    """Findings that hang on the timeline itself, not on a stretch."""
    printer = timeline.printer
    runs = projected.runs.runs
    for before, after in pairwise(runs):
        finding = find.of_break(printer, before, after)
        if finding is not None:
            projected.findings.append((finding.since_us, _explained(timeline, before, after, finding)))
    for conflict in timeline.conflicts:
        projected.findings.append((conflict.origin.at_us, find.of_conflict(conflict)))
    _find_silences(timeline, moments, projected)
    _find_restarts(timeline, moments, projected)
    for window in projected.windows:
        _find_release(timeline, window, projected)
    # A meter that is read is in some registry, though a file of facts may not say what its policy was.
    if timeline.starts and not timeline.rules.registered and not moments:
        first = timeline.starts[0]
        text = f"no printer {printer!r} is in the registry, so its meter is not read; correct the name or add it"
        evidence = [find.release_line(ReleaseKey(one.origin.source, one.release)) for one in timeline.starts]
        projected.findings.append((None, find.make("unknown-printer", printer, (), first.origin.at_us, text, evidence)))
    projected.findings = [
        (at_us, find.decided(finding, timeline.rules.decisions)) for at_us, finding in projected.findings
    ]


def _explained(timeline: Timeline, before: Run, after: Run, finding: Finding) -> Finding:
    """Somebody noted the replacement: the finding is explained by it."""
    from_us = before.samples[-1].plateau.first_received_us
    to_us = after.samples[0].plateau.first_received_us + NOTE_REACH_US
    note = timeline.rules.noted_between("meter-replaced", from_us, to_us)
    if note is None:
        return finding
    line = f"noted {to_text(note.origin.at_us)}: {note.note} {note.text}".strip()
    return Finding(
        id=finding.id,
        kind=finding.kind,
        severity=finding.severity,
        printer=finding.printer,
        since_us=finding.since_us,
        until_us=note.origin.at_us,
        state="explained",
        text=finding.text,
        evidence=(*finding.evidence, line),
    )


def _find_silences(timeline: Timeline, moments: Sequence[Moment], projected: Projected) -> None:
    """Failed reads between two good ones are one finding, if they were of one kind and somebody needed a reading."""
    goods = [moment.from_us for moment in moments]
    episode: list[Silence] = []
    for silence in [*timeline.silences, None]:
        if episode and (silence is None or _new_episode(episode[-1], silence, goods)):
            _close_episode(timeline, episode, goods, projected)
            episode = []
        if silence is not None:
            episode.append(silence)


def _new_episode(last: Silence, silence: Silence, goods: Sequence[int]) -> bool:
    if find.silence_kind(last.reason) != find.silence_kind(silence.reason):
        return True
    return any(last.last_received_us <= good <= silence.first_sent_us for good in goods)


def _close_episode(timeline: Timeline, episode: list[Silence], goods: Sequence[int], projected: Projected) -> None:
    from_us, to_us = episode[0].first_sent_us, episode[-1].last_received_us
    until_us = next((good for good in goods if good >= to_us), None)
    waiting = sum(
        1
        for window in projected.windows
        if (until_us is None or window.release.start_us <= to_us)
        and (window.closes_us is None or window.closes_us > from_us)
    )
    tries = sum(silence.count for silence in episode)
    asleep = find.silence_kind(episode[0].reason) == "meter-silent" and not waiting
    if asleep or tries < SILENCE_TRIES_MIN:
        return
    projected.findings.append((until_us, find.of_silence(timeline.printer, episode, until_us, waiting)))


def _find_restarts(timeline: Timeline, moments: Sequence[Moment], projected: Projected) -> None:
    for before, after in pairwise(moments):
        if not (after.sample.restarted and before.run is after.run):
            continue
        inside = [
            window
            for window in projected.windows
            if window.release.start_us < after.from_us and (window.closes_us is None or window.closes_us > before.to_us)
        ]
        if inside:
            text = "the printer restarted inside a bracket; the count did not fall"
            evidence = find.pair_lines(before.sample.plateau, after.sample.plateau)
            evidence += [find.release_line(window.release.key) for window in inside]
            anchor = (after.run.number, after.from_us)
            finding = find.make("printer-restarted", timeline.printer, anchor, after.from_us, text, evidence)
            projected.findings.append((after.from_us, finding))


def _find_release(timeline: Timeline, window: Window, projected: Projected) -> None:
    release = window.release
    started, key = release.started, release.key
    anchor = (started.origin.source, started.origin.id)
    evidence = [find.release_line(key), f"job {started.job}, owner {started.owner}"]
    told: list[tuple[find.Kind, str]] = []
    if release.repeat:
        told.append(("repeated-release", "a release of this name was started before"))
    elif release.ended is None and window.closes_us is not None:
        told.append(("release-never-ended", "no end notice came; the window closed without one"))
    if release.policy.badge_within_us and not _badge_before(timeline, release):
        told.append(("release-without-badge", "no badge was presented at the gateway before this release"))
    if started.origin.clock in {"future", "implausible-past"}:
        claim = "?" if started.origin.occurred_us is None else to_text(started.origin.occurred_us)
        told.append(("source-clock-off", f"the source says {claim}; the time of arrival is used instead"))
    for kind, text in told:
        finding = find.make(kind, timeline.printer, anchor, release.start_us, text, evidence)
        projected.findings.append((window.closes_us, finding))


def _badge_before(timeline: Timeline, release: Release) -> bool:
    earliest_us = release.start_us - release.policy.badge_within_us
    return any(
        earliest_us <= badge.origin.at_us <= release.start_us + release.policy.floor_us for badge in timeline.badges
    )
