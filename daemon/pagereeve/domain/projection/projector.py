"""One printer's open stretch, kept in memory: a new fact costs work in proportion to it, not to the history."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import field
from typing import Final

from pagereeve.domain.brackets.timeline import (
    Again,
    EventKey,
    Timeline,
    name_of,
    start_of,
    started_again,
    strongest,
)
from pagereeve.domain.brackets.windows import Window
from pagereeve.domain.facts.facts import (
    BadgePresented,
    Conflict,
    Decided,
    Fact,
    FactDamaged,
    PlateauRead,
    PrinterNoted,
    ReadFailed,
    ReadingNoted,
    ReleaseAnswered,
    ReleaseEnded,
    ReleaseStarted,
    instant_us,
)
from pagereeve.domain.facts.in_force import NOTE_REACH_US, Rules, is_standing
from pagereeve.domain.facts.jobs import JobCounted
from pagereeve.domain.facts.union import first_heard, joined
from pagereeve.domain.findings.conflicts import ConflictsKept
from pagereeve.domain.findings.job_findings import LOOK_AFTER_US
from pagereeve.domain.findings.waiting import Waiting
from pagereeve.domain.ledger import Charge, Finding, Posting, RowSegment, Stretch
from pagereeve.domain.projection.projection import Projected, project
from pagereeve.domain.projection.resume_point import ResumePoint, latest_resume_point
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.domain.values.records import dataclass

# Facts arrive a little late: clocks differ, networks queue. A fact younger than this never needs the journal.
HOLD_BACK_US = 120 * SECOND_US
# A sleeper makes many facts and no rows: its resume point is stored all the same once this many have been left behind.
DROPPED_MAX = 200
# A rebuild settles after so many facts: often enough to stay linear, seldom enough to be quick.
REBUILD_CHUNK = 200

# A union written in place would be rebuilt at each call.
_IDENTIFIED: Final = (BadgePresented, ReleaseStarted, ReleaseEnded)
_OBSERVED: Final = (PlateauRead, ReadFailed)


@dataclass(frozen=True, slots=True)
class Update:
    """What to store: these segments in the place of the printer's segments from ``from_anchor_us`` on."""

    from_anchor_us: int
    segments: tuple[RowSegment, ...]


@dataclass(slots=True)
class PrinterProjector:
    """Facts since ``resume_point``, each once. The next stored segment begins at the last stored resume point, the
    anchor.

    ``view`` is what the last ``advance`` saw, until it is let go; its ``windows`` and what ``waits`` are kept.
    """

    printer: str
    rules: Rules
    resume_point: ResumePoint | None = None
    hold_back_us: int = HOLD_BACK_US
    _facts: dict[object, Fact] = field(default_factory=dict)
    _conflicts: ConflictsKept | None = None
    _open: PlateauRead | ReadFailed | None = None
    _again: dict[EventKey, Again] = field(default_factory=dict)
    _anchor_us: int = 0
    _dropped: int = 0
    _last: Update | None = None
    _unseen: tuple[ReleaseStarted, ...] = ()
    view: Projected | None = None
    windows: Sequence[Window] = ()
    waits: Sequence[Waiting] = ()

    def __post_init__(self) -> None:
        self._anchor_us = 0 if self.resume_point is None else self.resume_point.at_us

    @property
    def anchor_us(self) -> int:
        """Where the next stored segment begins."""
        return self._anchor_us

    def last_read(self) -> PlateauRead | None:
        """The latest sealed run of good readings since the resume point."""
        reads = (one for one in self._facts.values() if isinstance(one, PlateauRead))
        return max(reads, key=lambda one: one.plateau.last_received_us, default=None)

    @classmethod
    def reopened(
        cls,
        printer: str,
        rules: Rules,
        resume_point: ResumePoint | None,
        facts: Iterable[Fact],
        hold_back_us: int = HOLD_BACK_US,
    ) -> PrinterProjector:
        """Restart from a stored resume point. ``rules`` hold all facts in force; ``facts`` before it are left
        out.
        """
        projector = cls(printer, rules, resume_point, hold_back_us)
        known = list(facts)
        is_needed = None if resume_point is None else projector._need_of(known, resume_point)
        for fact in known:
            if is_needed is None or is_needed(fact):
                projector.add(fact)
        return projector

    def is_late(self, fact: Fact, *, again: bool = False) -> bool:
        """The fact concerns what lies behind the resume point: the caller must restart from an earlier one.

        ``again``: it is a start notice, and an earlier one started the same release.
        """
        if self.resume_point is None:
            return False
        if isinstance(fact, ReleaseEnded):
            return self._start_of(fact) is None
        if isinstance(fact, PlateauRead):
            return fact.plateau.last_received_us < self.resume_point.at_us
        if isinstance(fact, ReadFailed):
            return fact.silence.last_received_us < self.resume_point.at_us
        return concerns_us(fact) <= self.resume_point.at_us or (again and self._takes_an_end(fact))

    def _start_of(self, ended: ReleaseEnded) -> ReleaseStarted | None:
        """The start notice in hand that the end belongs to; None where that lies behind the resume point, or hasn't
        come.
        """
        named = (
            one for one in self._facts.values() if isinstance(one, ReleaseStarted) and name_of(one) == name_of(ended)
        )
        starts = sorted(named, key=lambda one: one.origin.order)
        again = strongest(started_again(starts), self._again)
        return start_of(ended, [one for one in starts if again.get(one.origin.key) != "echo"], again)

    def _takes_an_end(self, fact: Fact) -> bool:
        """An end notice that until now belongs to a start behind the resume point will belong to this one."""
        if not isinstance(fact, ReleaseStarted):
            return False
        ends = (one for one in self._facts.values() if isinstance(one, ReleaseEnded) and name_of(one) == name_of(fact))
        return any(one.origin.at_us >= fact.origin.at_us and self._start_of(one) is None for one in ends)

    def add(self, fact: Fact, *, again: Again | None = None) -> None:
        """Take a fact that is not late. ``again``: what the notice is, if an earlier one started the same release."""
        if isinstance(fact, _OBSERVED):
            # Most facts are such.
            self._facts[fact] = fact
            return
        if self.rules.add(fact):
            return
        if isinstance(fact, Conflict):
            self._conflicts = self._conflicts or ConflictsKept()
            self._conflicts.add(fact)
            return
        self._keep(fact)
        if again is not None and isinstance(fact, ReleaseStarted):
            self.mark_again(fact, again)

    def _keep(self, fact: Fact) -> None:
        """Of a second copy that was received at another time or place, the one that counts."""
        if not isinstance(fact, _IDENTIFIED):
            self._facts[fact] = fact
            return
        key = fact.origin.key
        known = self._facts.get(key)
        if isinstance(known, _IDENTIFIED) and known != fact:
            fact = first_heard([known, fact])
        elif known is None and isinstance(fact, ReleaseStarted):
            self._unseen = (*self._unseen, fact)
        self._facts[key] = fact

    def mark_again(self, started: ReleaseStarted, again: Again) -> None:
        """An earlier notice, perhaps one behind the resume point, started the same release."""
        self._again[started.origin.key] = again

    def open_run(self, current: PlateauRead | ReadFailed | None) -> None:
        """What the meter is doing now: the plateau or silence that may still grow."""
        self._open = current

    def open_starts(self) -> list[ReleaseStarted]:
        """Start notices of releases whose windows are open, or that ``view`` does not know of yet."""
        seen = [one.release.started for one in self.windows if one.closes_us is None]
        return seen + [one for one in self._unseen if self._again.get(one.origin.key) != "echo"]

    def projected(self) -> Projected:
        return self._project(self._timeline())

    def look(self) -> Projected:
        """The view; made anew where it was let go."""
        if self.view is None:
            self.view = self.projected()
        return self.view

    def let_go(self) -> None:
        """Nobody looks at the view just now: most printers rest, and theirs would take more room than all else here."""
        self.view = None

    def _timeline(self) -> Timeline:
        facts = [*self._facts.values(), *([] if self._open is None else [self._open])]
        if self._conflicts is not None:
            facts += self._conflicts.all()
        return Timeline.of(self.printer, facts, self.rules, self._again)

    def _project(self, timeline: Timeline) -> Projected:
        resume_point = self.resume_point
        if resume_point is None:
            return project(timeline, known=self.windows)
        return project(timeline, resume_point.opening_run(), resume_point.memory, resume_point.at_us, self.windows)

    def advance(self, before_us: int | None = None) -> Update | None:
        """Project the open stretch, move the resume point up as far as it goes, and say what to store; None if nothing
        new.

        ``before_us``: facts from there on are known to follow, so the resume point stays before it.
        """
        timeline = self._timeline()
        projected = self.view = self._project(timeline)
        self._unseen, self.windows, self.waits = (), tuple(projected.windows), tuple(projected.waits)
        limit_us = self._horizon_us() - self.hold_back_us
        if before_us is not None:
            limit_us = min(limit_us, before_us - 1)
        resume_point = latest_resume_point(
            projected, -1 if self.resume_point is None else self.resume_point.at_us, limit_us
        )
        rest = _segment(self.printer, projected, self._anchor_us, resume_point, sealed=False)
        from_us, segments = self._anchor_us, [rest]
        if resume_point is not None:
            sealed = _segment(self.printer, projected, self._anchor_us, resume_point, sealed=True)
            self._move_up(resume_point, timeline.again)
            if _has_rows(sealed) or self._dropped >= DROPPED_MAX:
                self._anchor_us, self._dropped = resume_point.at_us, 0
                segments = [sealed, _moved(rest, resume_point.at_us)]
        update = Update(
            from_us, tuple(segment for segment in segments if _has_rows(segment) or segment.resume_point is not None)
        )
        if update == self._last and len(segments) == 1:
            return None
        self._last = Update(
            self._anchor_us, tuple(segment for segment in update.segments if segment.resume_point is None)
        )
        return update

    def _horizon_us(self) -> int:
        latest_us = 0 if self._open is None else _end_us(self._open)
        for fact in self._facts.values():
            if isinstance(fact, _OBSERVED) or (isinstance(fact, ReadingNoted) and self._is_observed(fact)):
                latest_us = max(latest_us, _end_us(fact))
        return latest_us

    def _is_observed(self, noted: ReadingNoted) -> bool:
        return self.rules.policy_at(noted.origin.at_us).by_panel

    def _move_up(self, resume_point: ResumePoint, again: Mapping[EventKey, Again]) -> None:
        """``again``: the notice that started a release first may be left behind now; a later one stays a later one."""
        self.resume_point = resume_point
        is_needed = self._need_of(self._facts.values(), resume_point)
        kept = {key: fact for key, fact in self._facts.items() if is_needed(fact)}
        self._dropped += len(self._facts) - len(kept)
        if self._conflicts is not None:
            self._dropped += self._conflicts.drop_until(resume_point.at_us)
        self._facts = kept
        self._again = {key: what for key, what in again.items() if key in kept}

    def _need_of(self, facts: Collection[Fact], resume_point: ResumePoint) -> Callable[[Fact], bool]:
        """Of which facts a projection from the resume point may still ask for."""
        begun = {
            (fact.origin.source, fact.release)
            for fact in facts
            if isinstance(fact, ReleaseStarted) and fact.origin.at_us > resume_point.at_us
        }
        at_us, badge_from_us = resume_point.at_us, resume_point.at_us - self.rules.badge_reach_us()

        def is_needed(fact: Fact) -> bool:
            if isinstance(fact, PlateauRead):
                return fact.plateau.last_received_us >= at_us
            if isinstance(fact, ReleaseStarted):
                return fact.origin.at_us > at_us
            if isinstance(fact, ReleaseEnded):
                # It may claim to be before its start: it goes with its start.
                return fact.origin.at_us > at_us or (fact.origin.source, fact.release) in begun
            if isinstance(fact, BadgePresented):
                return fact.origin.at_us > badge_from_us
            if isinstance(fact, FactDamaged):
                return fact.at_us >= resume_point.plateau_from_us
            known_us = _end_us(fact)
            return known_us > at_us or (known_us == at_us and isinstance(fact, ReadingNoted))

        return is_needed


def concerns_us(fact: Fact, starts: Iterable[ReleaseStarted] = ()) -> int:
    """The earliest instant whose rows a fact may change; ``starts`` are the start notices of its release, if any."""
    if isinstance(fact, Decided):
        # A finding of any age.
        return 0
    if isinstance(fact, PrinterNoted) and fact.note == "meter-replaced":
        return fact.origin.at_us - NOTE_REACH_US
    if isinstance(fact, ReleaseAnswered):
        return min(fact.at_us, fact.started_us)
    if isinstance(fact, JobCounted):
        # A gap that ended before it was asked for.
        return fact.sent_us - LOOK_AFTER_US
    return min([instant_us(fact), *(one.origin.at_us for one in starts)])


def needed_from_us(resume_point: ResumePoint, rules: Rules) -> int:
    """The earliest instant of a fact that a projection from the resume point may still ask for."""
    return min(resume_point.plateau_from_us, resume_point.at_us - rules.badge_reach_us())


def _end_us(fact: Fact) -> int:
    if isinstance(fact, PlateauRead):
        return fact.plateau.last_received_us
    if isinstance(fact, ReadFailed):
        return fact.silence.last_received_us
    return instant_us(fact)


def _has_rows(segment: RowSegment) -> bool:
    return bool(segment.stretches or segment.charges or segment.postings or segment.findings)


def _moved(segment: RowSegment, anchor_us: int) -> RowSegment:
    return RowSegment(
        segment.printer,
        anchor_us,
        segment.resume_point,
        segment.stretches,
        segment.charges,
        segment.postings,
        segment.findings,
    )


def _segment(
    printer: str, projected: Projected, anchor_us: int, resume_point: ResumePoint | None, *, sealed: bool
) -> RowSegment:
    """The rows settled by the resume point's instant, or the others."""
    until_us = -1 if resume_point is None else resume_point.at_us

    def belongs(at_us: int | None) -> bool:
        return (at_us is not None and at_us <= until_us) == sealed

    posted = [one for at_us, one in projected.posted if belongs(at_us)]
    return RowSegment(
        printer=printer,
        anchor_us=anchor_us,
        resume_point=resume_point.to_json() if sealed and resume_point is not None else None,
        stretches=tuple(one.stretch for one in posted),
        charges=tuple(charge for one in posted for charge in one.charges)
        + (() if sealed else tuple(projected.waiting)),
        postings=tuple(one.posting for one in posted if one.posting is not None),
        findings=tuple(finding for at_us, finding in projected.findings if belongs(at_us)),
    )


@dataclass(slots=True)
class Ledger:
    """All rows of one printer, in a fixed order whatever the segments they came in."""

    stretches: list[Stretch] = field(default_factory=list)
    charges: list[Charge] = field(default_factory=list)
    postings: list[Posting] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)

    @classmethod
    def of(cls, segments: Iterable[RowSegment]) -> Ledger:
        ledger = cls()
        for segment in segments:
            ledger.stretches += segment.stretches
            ledger.charges += segment.charges
            ledger.postings += segment.postings
            ledger.findings += segment.findings
        ledger.stretches.sort(key=lambda one: (one.channel, one.run, one.opens_us, one.closes_us, one.releases))
        ledger.charges.sort(key=lambda one: (one.started_us, one.release, one.channel))
        ledger.postings.sort(key=lambda one: (one.channel, one.run, one.opens_us, one.closes_us, one.legs))
        ledger.findings.sort(key=lambda one: (one.since_us, one.kind, one.id))
        return ledger


def apply_update(segments: dict[int, RowSegment], update: Update) -> None:
    """What a store does with an update, on a plain dictionary by anchor."""
    for anchor_us in [anchor_us for anchor_us in segments if anchor_us >= update.from_anchor_us]:
        del segments[anchor_us]
    segments.update((segment.anchor_us, segment) for segment in update.segments)


def rebuild(printer: str, facts: Iterable[Fact], open_run: PlateauRead | ReadFailed | None = None) -> list[RowSegment]:
    """All segments of a history, in any order of facts; work in proportion to its length.

    A release's end is applied with its start, so that no end comes late.
    """
    known = joined(facts)
    starts = [fact for fact in known if isinstance(fact, ReleaseStarted)]
    again = started_again(starts)
    by_name: dict[tuple[str, str], list[ReleaseStarted]] = {}
    for started in sorted(starts, key=lambda one: one.origin.order):
        if again.get(started.origin.key) != "echo":
            by_name.setdefault(name_of(started), []).append(started)

    def place_us(fact: Fact) -> int:
        if isinstance(fact, PlateauRead):
            return fact.plateau.first_received_us
        if isinstance(fact, ReleaseAnswered | JobCounted):
            return concerns_us(fact)
        mine = start_of(fact, by_name.get(name_of(fact), ()), again) if isinstance(fact, ReleaseEnded) else None
        return instant_us(fact) if mine is None else mine.origin.at_us

    projector = PrinterProjector(printer, Rules.of(known))
    segments: dict[int, RowSegment] = {}
    ordered = sorted((fact for fact in known if not is_standing(fact)), key=place_us)
    for nth, fact in enumerate(ordered):
        if nth % REBUILD_CHUNK == 0:
            _advance_into(segments, projector, place_us(fact))
        projector.add(fact, again=again.get(fact.origin.key) if isinstance(fact, ReleaseStarted) else None)
    projector.open_run(open_run)
    _advance_into(segments, projector, None)
    return [segments[anchor_us] for anchor_us in sorted(segments)]


def _advance_into(segments: dict[int, RowSegment], projector: PrinterProjector, before_us: int | None) -> None:
    update = projector.advance(before_us)
    if update is not None:
        apply_update(segments, update)


def replay(printer: str, facts: Sequence[Fact], open_run: PlateauRead | ReadFailed | None = None) -> Ledger:
    """The ledger of a whole history in one piece: what every increment and every rebuild must equal."""
    projector = PrinterProjector(printer, Rules(), hold_back_us=2**62)
    for fact in joined(facts):
        projector.add(fact)
    projector.open_run(open_run)
    update = projector.advance()
    return Ledger.of(update.segments if update is not None else ())
