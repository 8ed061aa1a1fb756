"""The badge checks's findings, kept up to date event by event: segments under printer "", as a printer's projector
makes
its.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import AsyncIterator, Generator, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from operator import attrgetter
from typing import Any, Final, TypeVar

from pagereeve.domain.badges.checks import BadgeChecks, CheckedEvent, CheckStep, arrived_us, steps_of
from pagereeve.domain.badges.state import CHECKS
from pagereeve.domain.facts.facts import (
    BadgePresented,
    BadgeUnreadable,
    ClockChanged,
    Decided,
    Fact,
    FactDamaged,
    GatewayChecked,
    LossAccepted,
    ReceiverChanged,
    ReleaseStarted,
    SiteChecked,
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
# Events, steps or findings of one slice of work: some milliseconds.
SLICE: Final = 50

Value = TypeVar("Value")
Slices = Generator[None, None, Value]
"""Work in slices, none of them long; its value at the end. Between two of them nobody may touch what it works on."""

NOTHING_TAKEN: Final = (-1, False, "", "")

_EVENTS: Final = (
    *(BadgePresented, BadgeUnreadable, ReleaseStarted),
    *(LossAccepted, ReceiverChanged, ClockChanged, GatewayChecked, SiteChecked),
)


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
        if not self.is_late(event) or arrived_us(event) > self.anchor_us:
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
        """As ``advancing``, in one go."""
        return in_one_go(self.advancing(until_us))

    def advancing(self, until_us: int | None = None) -> Slices[Update | None]:
        """What to store; None if nothing changed. Seals what is old enough, once there is enough of it.

        ``until_us``: later steps wait, as others may still come before them. Work that is left before its end leaves
        the projector unusable.
        """
        live = yield from self._advanced(until_us)
        anchor_us = self.anchor_us
        sealed = (yield from self._seal(live)) if self._unsealed >= self.seal_every else None
        rest = yield from self._segment(self.anchor_us, [one for _, one in live.findings] + live.open_findings(), None)
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

    def _advanced(self, until_us: int | None) -> Slices[BadgeChecks]:
        if self._live is None:
            base = yield from self._at_resume_point()
            self._pending = yield from self._steps_since_resume_point()
            self._live, self._last = base.copied(), NOTHING_TAKEN
        self._pending.sort(key=_ORDER)
        due = len(self._pending)
        if until_us is not None:
            due = bisect_right(self._pending, until_us, key=lambda one: one.at_us)
        yield from _take_all(self._live, self._pending[:due])
        if due:
            self._last = self._pending[due - 1].order
        del self._pending[:due]
        return self._live

    def _at_resume_point(self) -> Slices[BadgeChecks]:
        if self._base is None:
            if self.resume_point is None:
                base = BadgeChecks(self.rules)
            else:
                state = CHECKS.read(Fields(self.resume_point.state, "resume_point.entrance"))
                base = BadgeChecks(self.rules, state, self.resume_point.at_us)
            steps = [step for event in self._before for step in steps_of(event) if step.at_us <= self.anchor_us]
            yield from _take_all(base, sorted(steps, key=_ORDER))
            self._base, self._before = base, []
        return self._base

    def _steps_since_resume_point(self) -> Slices[list[CheckStep]]:
        since_us = -1 if self.resume_point is None else self.resume_point.at_us
        steps: list[CheckStep] = []
        for events in _sliced([*self._events.values()]):
            steps += [step for event in events for step in steps_of(event) if step.at_us > since_us]
            yield
        return steps

    def _seal(self, live: BadgeChecks) -> Slices[RowSegment | None]:
        limit_us = self._limit_us()
        if limit_us <= self.anchor_us:
            return None
        base = yield from self._at_resume_point()
        steps = yield from self._steps_since_resume_point()
        yield from _take_all(base, sorted((one for one in steps if one.at_us <= limit_us), key=_ORDER))
        base.told_after_us, base.findings = limit_us, []
        resume_point = BadgeResumePoint(limit_us, CHECKS.write(base.state))
        over = [one for at_us, one in live.findings if at_us <= limit_us]
        sealed = yield from self._segment(self.anchor_us, over, resume_point)
        live.findings = [(at_us, one) for at_us, one in live.findings if at_us > limit_us]
        self.resume_point = resume_point
        self._events = {key: one for key, one in self._events.items() if arrived_us(one) > limit_us}
        self._unsealed = 0
        return sealed

    def _limit_us(self) -> int:
        """Where a resume point may lie: what happened too long before it to be read again must have arrived before it,
        too.
        """
        taken_us = max(self._last[0], self.anchor_us)
        limit_us = min(max(one.origin.at_us for one in self._events.values()) - self.hold_back_us, taken_us)
        reach_us = self.rules.reach_us()
        spans = ((one.origin.at_us, arrived_us(one)) for one in self._events.values())
        late = [(happened, arrived) for happened, arrived in spans if arrived - happened >= reach_us]
        moved = True
        while moved:
            moved = False
            for happened, arrived in late:
                if happened <= limit_us - reach_us and arrived > limit_us:
                    limit_us, moved = happened + reach_us - 1, True
        return limit_us

    def _segment(
        self, anchor_us: int, found: Sequence[Finding], resume_point: BadgeResumePoint | None
    ) -> Slices[RowSegment]:
        """With a resume point, what is over by then; else that and what still holds."""
        decisions: dict[str, list[Decided]] = {}
        for decision in self.rules.decisions:
            decisions.setdefault(decision.finding, []).append(decision)
        kept: list[Finding] = []
        for findings in _sliced(found):
            kept += [find.decided(finding, decisions.get(finding.id, ())) for finding in findings]
            yield
        return RowSegment(
            SITE, anchor_us, None if resume_point is None else resume_point.to_json(), findings=tuple(kept)
        )


_ORDER: Final = attrgetter("order")


def _sliced(items: Sequence[Value]) -> Iterator[Sequence[Value]]:
    return (items[start : start + SLICE] for start in range(0, len(items), SLICE))


def _take_all(checks: BadgeChecks, steps: Sequence[CheckStep]) -> Slices[None]:
    for taken in _sliced(steps):
        for step in taken:
            checks.take(step)
        yield


def in_one_go(work: Slices[Value]) -> Value:
    """The value at the end of the work."""
    while True:
        try:
            next(work)
        except StopIteration as ended:
            value: Value = ended.value
            return value


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
