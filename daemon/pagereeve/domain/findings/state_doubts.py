"""A state that stays at *printing* or *warming up* while the count rests: one finding until it comes to idle again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field, replace
from typing import Final

from pagereeve.domain.brackets.windows import Window
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.findings import finding as find
from pagereeve.domain.ledger import Finding, ReleaseKey
from pagereeve.domain.values.codec import FIGURE, INSTANT, TEXT, Codec, Member
from pagereeve.domain.values.records import dataclass

# So many rests with an idle state in a row end the doubt.
IDLE_RESTS: Final = 2


@dataclass(frozen=True, slots=True)
class StateDoubt:
    """The first release whose count came to rest while the state stayed busy, and idle rests since the last such."""

    since_us: int
    source: str
    event: str
    release: str
    idle_rests: int = 0


STATE_DOUBT: Final = Codec(
    StateDoubt,
    Member("since_us", INSTANT, "since"),
    Member("source", TEXT),
    Member("event", TEXT),
    Member("release", TEXT),
    Member("idle_rests", FIGURE, default=0),
)


@dataclass(slots=True)
class StateWatched:
    states: list[tuple[int, StateDoubt | None]] = field(default_factory=list)
    findings: list[tuple[int | None, Finding]] = field(default_factory=list)


def watch_state(printer: str, windows: Sequence[Window], before: StateDoubt | None) -> StateWatched:
    """Windows in which the meter moved and rested, in order of what they rested on; ``before`` is from earlier ones."""
    watched, doubt = StateWatched(), before
    if doubt is None and not any(window.by_count for window in windows):
        return watched
    seen_us = settled_us = -1
    for window in sorted(windows, key=_order):
        at_us, from_us = window.open_until_us, window.rest_from_us
        if at_us is None or from_us is None or window.closing != "rested" or from_us == seen_us:
            continue
        seen_us = from_us
        if window.by_count:
            origin = window.release.started.origin
            begun = StateDoubt(window.release.start_us, origin.source, origin.id, window.release.started.release)
            doubt = begun if doubt is None else replace(doubt, idle_rests=0)
        elif doubt is not None and doubt.idle_rests + 1 >= IDLE_RESTS:
            watched.findings.append((at_us, _finding(printer, doubt, window.closes_us)))
            doubt = None
        elif doubt is not None:
            doubt = replace(doubt, idle_rests=doubt.idle_rests + 1)
        else:
            continue
        settled_us = max(settled_us, at_us)
        watched.states.append((settled_us, doubt))
    if doubt is not None:
        watched.findings.append((None, _finding(printer, doubt, None)))
    return watched


def _order(window: Window) -> tuple[int, int, tuple[int, str, str]]:
    return (window.rest_from_us or 0, window.open_until_us or 0, window.release.order)


def _finding(printer: str, doubt: StateDoubt, until_us: int | None) -> Finding:
    evidence = [shown.release(ReleaseKey(doubt.source, doubt.release))]
    what, anchor = shown.state_not_believed(), (doubt.source, doubt.event)
    return find.make("state-not-believed", printer, anchor, doubt.since_us, what, evidence, until_us)
