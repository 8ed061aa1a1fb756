"""A source whose clock can't be used: one finding from the first notice that shows it to the first that doesn't."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import field
from typing import Final

from pagereeve.domain.brackets.timeline import Timeline
from pagereeve.domain.facts.facts import ReleaseEnded, ReleaseStarted
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.findings import finding as find
from pagereeve.domain.findings.evidence_codec import EVIDENCE
from pagereeve.domain.ledger import Evidence, Finding, ReleaseKey
from pagereeve.domain.values.codec import INSTANT, TEXT, Codec, Member, inner
from pagereeve.domain.values.records import dataclass

# Of one printer: so many sources at once, the oldest trouble is forgotten first.
TROUBLES_MAX: Final = 16
OFF: Final = frozenset({"future", "implausible-past", "behind"})


@dataclass(frozen=True, slots=True)
class ClockTrouble:
    """The first notice of a source that bore an unusable time, or one far behind."""

    source: str
    event: str
    since_us: int
    what: Evidence
    release: str


CLOCK_TROUBLE: Final = Codec(
    ClockTrouble,
    Member("source", TEXT),
    Member("event", TEXT),
    Member("since_us", INSTANT, "since"),
    Member("what", inner(EVIDENCE)),
    Member("release", TEXT),
)
ClockTroubles = tuple[ClockTrouble, ...]


@dataclass(slots=True)
class ClocksWatched:
    states: list[tuple[int, ClockTroubles]] = field(default_factory=list)
    findings: list[tuple[int | None, Finding]] = field(default_factory=list)


def watch_clocks(timeline: Timeline, before: ClockTroubles, after_us: int) -> ClocksWatched:
    """Notices after ``after_us``, in order; those before it are in ``before``."""
    watched, troubles = ClocksWatched(), before
    if not troubles and not any(one.origin.clock in OFF for one in _notices(timeline)):
        return watched
    for event in _dated(timeline, after_us):
        origin = event.origin
        ongoing = next((one for one in troubles if one.source == origin.source), None)
        if origin.clock in OFF and ongoing is None:
            troubles = (*troubles, _trouble(event))[-TROUBLES_MAX:]
        elif origin.clock not in OFF and ongoing is not None:
            troubles = tuple(one for one in troubles if one is not ongoing)
            watched.findings.append((origin.at_us, _finding(timeline.printer, ongoing, origin.at_us)))
        else:
            continue
        watched.states.append((origin.at_us, troubles))
    watched.findings += [(None, _finding(timeline.printer, one, None)) for one in troubles]
    return watched


def _dated(timeline: Timeline, after_us: int) -> Iterator[ReleaseStarted | ReleaseEnded]:
    """Notices that name a time, by when they count."""
    named = (one for one in _notices(timeline) if one.origin.occurred_us is not None and one.origin.at_us > after_us)
    yield from sorted(named, key=lambda one: one.origin.order)


def _notices(timeline: Timeline) -> Iterator[ReleaseStarted | ReleaseEnded]:
    yield from timeline.starts
    yield from timeline.ended()


def _trouble(event: ReleaseStarted | ReleaseEnded) -> ClockTrouble:
    origin = event.origin
    return ClockTrouble(origin.source, origin.id, origin.at_us, shown.clock_off(origin), event.release)


def _finding(printer: str, trouble: ClockTrouble, until_us: int | None) -> Finding:
    evidence = [shown.release(ReleaseKey(trouble.source, trouble.release)), shown.event(trouble.event)]
    anchor = (trouble.source, trouble.event)
    return find.make("source-clock-off", printer, anchor, trouble.since_us, trouble.what, evidence, until_us)
