"""A printer's facts taken one by one, as the daemon takes them: late ones begin again from a stored resume point."""

from __future__ import annotations

from dataclasses import dataclass, field

from pagereeve.domain.brackets.timeline import Again, started_again
from pagereeve.domain.facts.facts import Fact, PlateauRead, ReadFailed, ReleaseEnded, ReleaseStarted
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.ledger import RowSegment
from pagereeve.domain.projection.projector import HOLD_BACK_US, Ledger, PrinterProjector, apply_update, concerns_us
from pagereeve.domain.projection.resume_point import ResumePoint

Open = PlateauRead | ReadFailed | None


@dataclass
class Keeping:
    """``segments`` are what a store would hold, ``known`` its facts; ``rewinds`` counts late facts."""

    printer: str
    hold_back_us: int = HOLD_BACK_US
    projector: PrinterProjector = field(init=False)
    segments: dict[int, RowSegment] = field(default_factory=dict)
    known: list[Fact] = field(default_factory=list)
    current: Open = None
    rewinds: int = 0

    def __post_init__(self) -> None:
        self.projector = PrinterProjector(self.printer, Rules(), hold_back_us=self.hold_back_us)

    def take(self, fact: Fact | None, current: Open) -> None:
        """A new fact, or a growing plateau, or both; then the rows are brought up to date."""
        self.current = current
        if fact is not None:
            self._take_fact(fact)
        self.projector.open_run(current)
        update = self.projector.advance()
        if update is not None:
            apply_update(self.segments, update)

    def _take_fact(self, fact: Fact) -> None:
        self.known.append(fact)
        again = _again(fact, self.known)
        if self.projector.is_late(fact, again=again is not None):
            self.rewinds += 1
            self.begin_again(concerns_us(fact, _starts_of(fact, self.known)))
        else:
            self.projector.add(fact, again=again)

    def begin_again(self, before_us: int = 2**62) -> None:
        """As after a restart, or for a late fact: from the latest stored resume point before an instant."""
        resume_points = [
            ResumePoint.from_json(one.resume_point) for one in self.segments.values() if one.resume_point is not None
        ]
        resume_point = max(
            (one for one in resume_points if one.at_us < before_us), key=lambda one: one.at_us, default=None
        )
        self.projector = PrinterProjector.reopened(
            self.printer, Rules.of(self.known), resume_point, self.known, self.hold_back_us
        )
        for fact in self.known:
            again = _again(fact, self.known)
            if isinstance(fact, ReleaseStarted) and again is not None:
                self.projector.mark_again(fact, again)
        self.projector.open_run(self.current)

    def ledger(self) -> Ledger:
        return Ledger.of(self.segments.values())


def _starts_of(fact: Fact, known: list[Fact]) -> list[ReleaseStarted]:
    if not isinstance(fact, ReleaseStarted | ReleaseEnded):
        return []
    key = (fact.origin.source, fact.release)
    return [one for one in known if isinstance(one, ReleaseStarted) and (one.origin.source, one.release) == key]


def _again(fact: Fact, known: list[Fact]) -> Again | None:
    return started_again(_starts_of(fact, known)).get(fact.origin.key) if isinstance(fact, ReleaseStarted) else None
