"""The badge checks's findings, kept up to date event by event: segments under printer "", as a printer's projector
makes
its.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import AsyncIterator, Iterable
from dataclasses import dataclass, field
from typing import Any, Final

from pagereeve.domain.badges.checks import BadgeChecks, CheckedEvent, CheckStep, steps_of
from pagereeve.domain.badges.state import CHECKS
from pagereeve.domain.facts.facts import (
    BadgePresented,
    BadgeUnreadable,
    ClockChanged,
    Fact,
    FactDamaged,
    LossAccepted,
    ReleaseStarted,
)
from pagereeve.domain.facts.site_in_force import SiteRules
from pagereeve.domain.findings import finding as find
from pagereeve.domain.ledger import Finding, RowSegment
from pagereeve.domain.projection.projector import HOLD_BACK_US, Update, apply_update
from pagereeve.domain.values.codec import INSTANT, Codec, Kind, Member
from pagereeve.domain.values.fields import Fields

SITE: Final = ""
"""The printer name of facts and findings that concern no one printer."""
COPY_SOURCE: Final = "urn:pagereeve:copy"
"""Copies of a badge for the other printers behind its gateway bear this source: the badge itself is one event."""

BADGES_VERSION: Final = 4
# Events after which a resume point is stored: often enough for a quick start, seldom enough for a small database.
SEAL_EVERY: Final = 5_000

NOTHING_TAKEN: Final = (-1, False, "", "")

_EVENTS: Final = (BadgePresented, BadgeUnreadable, ReleaseStarted, LossAccepted, ClockChanged)


@dataclass(frozen=True, slots=True)
class BadgeResumePoint:
    """What was remembered after all events up to ``at_us``."""

    at_us: int
    state: dict[str, Any]

    def to_json(self) -> dict[str, object]:
        return _RESUME_POINT.write(self) | {"version": BADGES_VERSION}

    @classmethod
    def from_json(cls, members: Any) -> BadgeResumePoint:
        """Raises BadFact, also for a resume point that another version left."""
        fields = Fields(members, "resume_point")
        fields.integer("version", BADGES_VERSION, BADGES_VERSION)
        return _RESUME_POINT.read(fields)


def _state_of(fields: Fields, name: str) -> dict[str, Any]:
    """The members as they are, if a state can be read from them."""
    members = fields.members(name)
    CHECKS.read(Fields(members, fields.path(name)))
    return members


_RESUME_POINT: Final = Codec(
    BadgeResumePoint,
    Member("at_us", INSTANT, "at"),
    Member("state", Kind(_state_of, _state_of), "entrance"),
)


def checked_event(fact: Fact) -> CheckedEvent | None:
    """The fact, if it is an event of the badge checks and no copy of one.

    A damaged one of a printer is told with the printer's own.
    """
    if isinstance(fact, FactDamaged):
        return None if fact.printer else fact
    if isinstance(fact, _EVENTS) and fact.origin.source != COPY_SOURCE:
        return fact
    return None


@dataclass(slots=True)
class BadgeProjector:
    """Events since ``resume_point``, each once. Two folds go through them: one up to the resume point, one to the
    latest event.

    An event in order costs a step of each; one that comes out of order, a fold of all since the resume point.
    """

    rules: SiteRules
    resume_point: BadgeResumePoint | None = None
    hold_back_us: int = HOLD_BACK_US
    seal_every: int = SEAL_EVERY
    _events: dict[tuple[str, str], CheckedEvent] = field(default_factory=dict)
    _before: list[CheckedEvent] = field(default_factory=list)
    _base: BadgeChecks | None = None
    _live: BadgeChecks | None = None
    _last: tuple[int, bool, str, str] = NOTHING_TAKEN
    _pending: list[CheckStep] = field(default_factory=list)
    _unsealed: int = 0
    _told: tuple[RowSegment, ...] | None = None

    def is_late(self, event: CheckedEvent) -> bool:
        """It concerns what lies behind the resume point: the caller must restart from an earlier one."""
        return self.resume_point is not None and event.origin.at_us <= self.resume_point.at_us

    def needed_from_us(self) -> int | None:
        """The earliest instant of an event that may still matter; None for all.

        What arrives after the resume point may have happened a reach before it, and be compared with what is a reach
        older.
        """
        return None if self.resume_point is None else self.resume_point.at_us - 2 * self.rules.reach_us()

    def add(self, event: CheckedEvent) -> None:
        """Take an event; of one before the resume point (until the first settling) only what follows from it now
        matters.
        """
        key = event.origin.key
        if key in self._events:
            return
        if self.is_late(event):
            self._before.append(event)
        if not self.is_late(event) or steps_of(event)[1].at_us > self.anchor_us:
            self._events[key] = event
            self._unsealed += 1
        if self._live is not None:
            steps = [step for step in steps_of(event) if step.at_us > self.anchor_us]
            self._pending += steps
            if any(step.order <= self._last for step in steps):
                self._live = None

    def renew(self) -> None:
        """The rules have changed: what was folded by the old ones is folded again."""
        self._live = None

    def advance(self, until_us: int | None = None) -> Update | None:
        """What to store; None if nothing changed. Seals what is old enough, once there is enough of it.

        ``until_us``: later steps wait, as others may still come before them.
        """
        live, anchor_us = self._advanced(until_us), self.anchor_us
        sealed = self._seal(live) if self._unsealed >= self.seal_every else None
        rest = self._segment(self.anchor_us, [one for _, one in live.findings] + live.open_findings(), None)
        segments = tuple(
            one for one in (sealed, rest) if one is not None and (one.findings or one.resume_point is not None)
        )
        if sealed is None and segments == self._told:
            return None
        self._told = segments[1:] if sealed is not None else segments
        return Update(anchor_us, segments)

    @property
    def waits(self) -> bool:
        """Steps are left that a later settling will take."""
        return bool(self._pending)

    @property
    def anchor_us(self) -> int:
        """Where the next stored segment begins."""
        return 0 if self.resume_point is None else self.resume_point.at_us

    def _advanced(self, until_us: int | None) -> BadgeChecks:
        if self._live is None:
            self._live = self._at_resume_point().copied()
            self._pending, self._last = self._steps_since_resume_point(), NOTHING_TAKEN
        self._pending.sort(key=lambda one: one.order)
        due = len(self._pending)
        if until_us is not None:
            due = bisect_right(self._pending, until_us, key=lambda one: one.at_us)
        for step in self._pending[:due]:
            self._live.take(step)
            self._last = step.order
        del self._pending[:due]
        return self._live

    def _at_resume_point(self) -> BadgeChecks:
        if self._base is None:
            if self.resume_point is None:
                self._base = BadgeChecks(self.rules)
            else:
                state = CHECKS.read(Fields(self.resume_point.state, "resume_point.entrance"))
                self._base = BadgeChecks(self.rules, state, self.resume_point.at_us)
            steps = (step for event in self._before for step in steps_of(event) if step.at_us <= self.anchor_us)
            for step in sorted(steps, key=lambda one: one.order):
                self._base.take(step)
            self._before = []
        return self._base

    def _steps_since_resume_point(self) -> list[CheckStep]:
        since_us = -1 if self.resume_point is None else self.resume_point.at_us
        return [step for event in self._events.values() for step in steps_of(event) if step.at_us > since_us]

    def _seal(self, live: BadgeChecks) -> RowSegment | None:
        limit_us = self._limit_us()
        if limit_us <= self.anchor_us:
            return None
        base = self._at_resume_point()
        for step in sorted(self._steps_since_resume_point(), key=lambda one: one.order):
            if step.at_us <= limit_us:
                base.take(step)
        base.told_after_us, base.findings = limit_us, []
        resume_point = BadgeResumePoint(limit_us, CHECKS.write(base.state))
        sealed = self._segment(self.anchor_us, [one for at_us, one in live.findings if at_us <= limit_us], resume_point)
        live.findings = [(at_us, one) for at_us, one in live.findings if at_us > limit_us]
        self.resume_point = resume_point
        self._events = {key: one for key, one in self._events.items() if steps_of(one)[1].at_us > limit_us}
        self._unsealed = 0
        return sealed

    def _limit_us(self) -> int:
        """Where a resume point may lie: what happened too long before it to be read again must have arrived before it,
        too.
        """
        taken_us = max(self._last[0], self.anchor_us)
        limit_us = min(max(one.origin.at_us for one in self._events.values()) - self.hold_back_us, taken_us)
        reach_us = self.rules.reach_us()
        late = [pair for pair in map(steps_of, self._events.values()) if pair[1].at_us - pair[0].at_us >= reach_us]
        moved = True
        while moved:
            moved = False
            for happened, arrived in late:
                if happened.at_us <= limit_us - reach_us and arrived.at_us > limit_us:
                    limit_us, moved = happened.at_us + reach_us - 1, True
        return limit_us

    def _segment(self, anchor_us: int, found: Iterable[Finding], resume_point: BadgeResumePoint | None) -> RowSegment:
        """With a resume point, what is over by then; else that and what still holds."""
        kept = tuple(find.decided(finding, self.rules.decisions) for finding in found)
        return RowSegment(SITE, anchor_us, None if resume_point is None else resume_point.to_json(), findings=kept)


def badge_findings(rules: SiteRules, events: Iterable[CheckedEvent]) -> list[Finding]:
    """Of a whole history in one piece: what increments and rebuilds must equal. ``events`` come in any order."""
    projector = BadgeProjector(rules, seal_every=2**62)
    for event in events:
        projector.add(event)
    update = projector.advance()
    return [finding for segment in update.segments for finding in segment.findings] if update is not None else []


async def rebuild_badges(rules: SiteRules, facts: AsyncIterator[Fact]) -> list[RowSegment]:
    """All segments of a history; ``facts`` in order of their instants, so that none is late and little is held."""
    projector, segments = BadgeProjector(rules), dict[int, RowSegment]()
    waiting = 0
    async for fact in facts:
        event = checked_event(fact)
        if event is not None:
            projector.add(event)
            waiting += 1
        if waiting >= SEAL_EVERY:
            waiting = 0
            _advance_into(segments, projector)
    _advance_into(segments, projector)
    return [segments[anchor_us] for anchor_us in sorted(segments)]


def _advance_into(segments: dict[int, RowSegment], projector: BadgeProjector) -> None:
    update = projector.advance()
    if update is not None:
        apply_update(segments, update)
