"""Third stage: on which printers' timelines an event belongs. No I/O but the questions of the Lookup it is given."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from pagereeve.domain.badges.projector import COPY_SOURCE
from pagereeve.domain.facts.booked import booked_as
from pagereeve.domain.facts.end_notices import after_its_start, replaced_by
from pagereeve.domain.facts.facts import (
    REPLACED,
    BadgePresented,
    BadgeUnreadable,
    Decided,
    Event,
    Fact,
    PagesDecided,
    PrinterNoted,
    ReadingNoted,
    ReleaseEnded,
    ReleaseStarted,
)
from pagereeve.domain.facts.union import ROUTED_SUFFIX
from pagereeve.domain.findings.finding import reopening_problem
from pagereeve.domain.ledger import Finding
from pagereeve.domain.values.errors import BadFact
from pagereeve.ports.journal import Receipt


@dataclass(frozen=True, slots=True)
class Lookup:
    """What placement may ask, each a function.

    starts   of a source and the name of its release: the known start notices, the earliest first
    finding  of an id: the stored finding
    behind   of a gateway: the printers behind it, in the registry's order
    notices  of a source and the name of its release: all its notices
    is_known of a printer's name: is it in the registry?
    pages    of a decision about pages: the same at its printer; raises BadFact where it can't be in force
    reading  of a noted reading: the same at its printer and instant; raises BadFact where it can't be one
    """

    starts: Callable[[str, str], Awaitable[Sequence[ReleaseStarted]]]
    finding: Callable[[str], Awaitable[Finding | None]]
    behind: Callable[[str], Sequence[str]]
    notices: Callable[[str, str], Awaitable[Sequence[Fact]]]
    is_known: Callable[[str], bool]
    pages: Callable[[PagesDecided], Awaitable[PagesDecided]]
    reading: Callable[[ReadingNoted], Awaitable[ReadingNoted]]


BOOKED_MAX: Final = 500
"""Releases that one decision books."""


@dataclass(frozen=True, slots=True)
class Placed:
    """Facts that name their printers ("" for none), in the order in which they are stored; the first is the event.

    starts       of a release's notice: the start notices of that release, as far as they are known, the earliest first
    concerns_us  the earliest instant whose rows may change, where that is known better than the facts show it
    meters       printers whose meters are about to move, or have to be read before they do
    gate         the printer for whose reading a sender may wait; "" where there is none to wait for
    """

    facts: tuple[Fact, ...]
    starts: Sequence[ReleaseStarted] = ()
    concerns_us: int | None = None
    meters: tuple[str, ...] = ()
    gate: str = ""


@dataclass(frozen=True, slots=True)
class Matched:
    """What a notice's receipt says of its release: its starts, and the ends that follow them to their printer."""

    starts: Sequence[ReleaseStarted] = ()
    ends: Sequence[ReleaseEnded] = ()


NO_MATCH: Final = Matched()


async def place(event: Event | BadgeUnreadable, lookup: Lookup) -> Placed:
    """Raises BadFact where the event names something that does not exist."""
    match event:
        case ReleaseStarted():
            return Placed(_with_replaced(event), meters=(event.printer,), gate=event.printer)
        case ReleaseEnded():
            if event.outcome == REPLACED:
                text = "is said by the start notice that replaces the release (replaces), and by no end notice"
                raise BadFact("data.outcome", text)
            return await _ended(event, lookup)
        case BadgePresented():
            return _presented(event, lookup.behind(event.gateway))
        case PrinterNoted():
            # A cut where work on the printer begins and ends: its pages then lie in a gap of their own.
            return Placed((event,), meters=(event.printer,))
        case ReadingNoted() | Decided() | PagesDecided():
            return await _said(event, lookup)
        case BadgeUnreadable():
            return Placed((event,))


def match_notices(fact: Fact, receipt: Receipt) -> Matched:
    """Once it is stored. Of a start and an end that were stored at once, whichever came last sees the other here."""
    match fact:
        case ReleaseStarted():
            known = (*receipt.notices, fact) if receipt.outcome == "stored" else receipt.notices
            starts = in_order(known)
            ends = (one for one in receipt.notices if isinstance(one, ReleaseEnded) and _lies_elsewhere(one, fact))
        case ReleaseEnded():
            starts = in_order(receipt.notices)
            ends = (one for one in (fact,) if not one.printer)
        case _:
            return NO_MATCH
    if not starts:
        return NO_MATCH
    return Matched(starts, [routed(one, starts) for one in ends])


def routed(ended: ReleaseEnded, starts: Sequence[ReleaseStarted]) -> ReleaseEnded:
    """A copy of an end that lies elsewhere, on its start's timeline. It can be stored twice, and is then a duplicate.

    The copy keeps its source, which is part of the release's name; only its id is another.
    """
    placed = after_its_start(ended, starts)
    return replace(placed, origin=replace(placed.origin, id=f"{ended.origin.id}{ROUTED_SUFFIX}"))


def in_order(notices: Sequence[Fact]) -> list[ReleaseStarted]:
    """The start notices among a release's notices, in order of time, ties by identity."""
    return sorted((one for one in notices if isinstance(one, ReleaseStarted)), key=lambda one: one.origin.order)


def _with_replaced(started: ReleaseStarted) -> tuple[Fact, ...]:
    if started.replaces == started.release:
        raise BadFact("data.replaces", "is the release itself; give the corrected notice a release name of its own")
    replaced = replaced_by(started)
    return (started,) if replaced is None else (started, replaced)


async def _ended(event: ReleaseEnded, lookup: Lookup) -> Placed:
    """An end notice names no printer: its release does. One that comes first waits under no printer."""
    starts = await lookup.starts(event.origin.source, event.release)
    return Placed((after_its_start(event, starts),), starts) if starts else Placed((event,))


def _lies_elsewhere(ended: ReleaseEnded, started: ReleaseStarted) -> bool:
    """An end under no printer, or under the one at which the release's name was used before."""
    return not ended.printer or (ended.printer != started.printer and ended.origin.at_us >= started.origin.at_us)


def _presented(event: BadgePresented, printers: Sequence[str]) -> Placed:
    """On the timeline of every printer behind the gateway; the first bears the event's own identity."""
    if not printers:
        return Placed((event,))
    first, *others = printers
    copies = (_copy(event, printer) for printer in others)
    return Placed((replace(event, printer=first), *copies), meters=tuple(printers))


def _copy(event: BadgePresented, printer: str) -> BadgePresented:
    identity = f"{event.origin.source} {event.origin.id} {printer}"
    return replace(event, printer=printer, origin=replace(event.origin, source=COPY_SOURCE, id=identity))


async def _said(event: ReadingNoted | Decided | PagesDecided, lookup: Lookup) -> Placed:
    """On the timeline of the finding's printer, whose rows from the finding's beginning on are projected again. A
    decision about pages changes no rows.
    """
    if isinstance(event, ReadingNoted):
        return Placed((await lookup.reading(event),))
    if isinstance(event, PagesDecided):
        return Placed((await lookup.pages(event),))
    finding = await lookup.finding(event.finding)
    if finding is None:
        raise BadFact("data.finding", f"{event.finding[:40]!r} is no finding; pagereeve findings --all lists them")
    if event.action == "reopen" and (problem := reopening_problem(finding)):
        raise BadFact("data.action", problem)
    decided = replace(event, printer=finding.printer)
    booked = await _booked(decided, finding, lookup) if event.action == "book" else ()
    return Placed((decided, *booked), concerns_us=finding.since_us)


async def _booked(decided: Decided, finding: Finding, lookup: Lookup) -> tuple[Fact, ...]:
    """The releases of the finding once more, at the printer where they were made: each corrects its own notice."""
    if finding.kind != "unknown-printer":
        raise BadFact("data.action", f"books releases at an unknown printer; {finding.id} is {finding.kind}")
    if not lookup.is_known(decided.at):
        raise BadFact("data.at", f"{decided.at[:40]!r} is no printer of the settings; name the one that made the pages")
    if len(finding.releases) > BOOKED_MAX:
        raise BadFact("data.finding", f"names more than {BOOKED_MAX} releases; give the printer this name (also)")
    facts: list[Fact] = []
    for key in finding.releases:
        for notice in await lookup.notices(key.source, key.release):
            if isinstance(notice, ReleaseStarted | ReleaseEnded) and notice.printer == finding.printer:
                facts += _elsewhere(notice, decided)
    return tuple(facts)


def _elsewhere(notice: ReleaseStarted | ReleaseEnded, decided: Decided) -> tuple[Fact, ...]:
    """Under a name of its own, as a name belongs to one release of its source."""
    origin = replace(notice.origin, id=f"{notice.origin.id}#booked", received_us=decided.origin.received_us)
    name = booked_as(notice.release, decided.at)
    if isinstance(notice, ReleaseEnded):
        return () if notice.outcome == REPLACED else (replace(notice, printer=decided.at, origin=origin, release=name),)
    return _with_replaced(replace(notice, printer=decided.at, origin=origin, release=name, replaces=notice.release))
