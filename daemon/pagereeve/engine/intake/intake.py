"""Taking in what the doors hand over: dated, hashed, routed, durable, and only then acknowledged (DESIGN.md 3.1)."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from pagereeve.domain.badges.form import BadBadge
from pagereeve.domain.badges.projector import COPY_SOURCE
from pagereeve.domain.facts.events import event_of
from pagereeve.domain.facts.facts import (
    BadgePresented,
    BadgeUnreadable,
    Decided,
    Event,
    Fact,
    Origin,
    PrinterNoted,
    ReleaseEnded,
    ReleaseStarted,
    instant_us,
)
from pagereeve.domain.facts.reading import Reading
from pagereeve.domain.facts.source_clock import DELAYS_MAX, SourceClock
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.instants import from_text
from pagereeve.engine.badges.watcher import BadgeWatcher
from pagereeve.engine.counters import EngineCounters
from pagereeve.engine.intake.badge_hashing import BadgeHasher
from pagereeve.engine.printers.registry import PrinterRegistry
from pagereeve.engine.printers.watcher import Arrival
from pagereeve.ports.clock import Clock
from pagereeve.ports.intake import Accepted, BadgeLine, Envelope, GatedReading, RefusedInput
from pagereeve.ports.journal import Receipt
from pagereeve.ports.store import Store

SOURCES_MAX = 1_024
# Releases under way: their end notices find their printer here, without asking the journal.
RELEASES_MAX = 20_000
NAME_MAX = 200


@dataclass(slots=True)
class EventIntake:
    """Implements ports.intake.Intake."""

    store: Store
    registry: PrinterRegistry
    clock: Clock
    counters: EngineCounters
    badges: BadgeHasher
    badge_watcher: BadgeWatcher
    keep_titles: bool = False
    _releases: OrderedDict[tuple[str, str], list[ReleaseStarted]] = field(default_factory=OrderedDict)
    _clocks: OrderedDict[str, SourceClock] = field(default_factory=OrderedDict)

    async def take(self, envelope: Envelope, *, feed: str, wait_s: float | None) -> Accepted:
        try:
            event = self._private(await self._event(envelope))
            return await self._store(event, feed=feed, wait_s=wait_s)
        except BadFact as error:
            self.counters.refused[feed, error.where[:60]] += 1
            raise

    async def badge_line(self, line: BadgeLine) -> Accepted:
        """A raw line has no identity of its own: feed, gateway, time of arrival and the hashed number make one."""
        gateway, badge, feed, received_us, reader = line.gateway, line.badge, line.feed, line.received_us, line.reader
        if not badge or len(badge) > NAME_MAX or not badge.isprintable():
            self.counters.refused[feed, "line"] += 1
            raise BadFact("line", f"a badge number of 1 to {NAME_MAX} printable characters is needed")
        try:
            sight = self.badges.seen(badge, gateway, reader)
        except BadBadge as error:
            return await self._unreadable(gateway, reader, error, feed=feed, received_us=received_us)
        origin = _line_origin(feed, f"{received_us:017d}-{gateway}-{sight.badge[:12]}", received_us)
        presented = BadgePresented("", origin, sight.badge, gateway, reader, resembles=sight.resembles)
        return await self._store(presented, feed=feed, wait_s=None)

    async def refused(self, refused: RefusedInput) -> None:
        """Counted by reason; of a reader's line the journal keeps that it could not be read."""
        self.counters.refused[refused.feed, refused.reason] += 1
        if refused.gateway:
            received_us = self.clock.now_us()
            origin = _line_origin(refused.feed, f"{received_us:017d}-{refused.gateway}-refused", received_us)
            await self._append(BadgeUnreadable(origin, refused.gateway, refused.reason, refused.reader))

    async def _unreadable(self, gateway: str, reader: str, error: BadBadge, *, feed: str, received_us: int) -> Accepted:
        """What a reader's form refuses is an error of the frame, and never an unknown badge."""
        self.counters.refused_badges[error.reason] += 1
        origin = _line_origin(feed, f"{received_us:017d}-{gateway}-unreadable", received_us)
        receipt = await self._append(BadgeUnreadable(origin, gateway, error.reason, reader))
        return Accepted(receipt.outcome, str(error))

    async def _event(self, envelope: Envelope) -> Event:
        received_us = self.clock.now_us()
        occurred_us = None if envelope.time is None else from_text(envelope.time)
        origin = Origin(envelope.source, envelope.id, received_us, received_us, occurred_us)
        event = event_of(envelope.type, origin, envelope.data)
        clock = await self._clock(envelope.source)
        at_us, mark = clock.judge(occurred_us, received_us)
        self.counters.clock_marks[mark or "as-claimed"] += 1
        return replace(event, origin=replace(origin, at_us=at_us, clock=mark))

    def _private(self, event: Event) -> Event | BadgeUnreadable:
        """Badge numbers become hashes; titles are dropped unless the site keeps them."""
        match event:
            case BadgePresented():
                return self._badge_seen(event)
            case ReleaseStarted():
                ticket = event.ticket if self.keep_titles else replace(event.ticket, title=None)
                return replace(event, badge=self._badge_named(event.badge), ticket=ticket)
            case ReleaseEnded() | PrinterNoted() | Decided():
                return event

    def _badge_seen(self, event: BadgePresented) -> BadgePresented | BadgeUnreadable:
        try:
            sight = self.badges.seen(event.badge, event.gateway, event.reader)
        except BadBadge as error:
            self.counters.refused_badges[error.reason] += 1
            return BadgeUnreadable(event.origin, event.gateway, error.reason, event.reader)
        return replace(event, badge=sight.badge, resembles=sight.resembles)

    def _badge_named(self, badge: str) -> str:
        """A release is worth more than the badge it names: one that can't be read is left out, and counted."""
        if not badge:
            return ""
        try:
            return self.badges.seen(badge).badge
        except BadBadge as error:
            self.counters.refused_badges[error.reason] += 1
            return ""

    async def _clock(self, source: str) -> SourceClock:
        known = self._clocks.get(source)
        if known is None:
            known = SourceClock()
            for occurred_us, received_us in await self.store.recent_delays(source, DELAYS_MAX):
                known.judge(occurred_us, received_us)
            self._clocks[source] = known
            if len(self._clocks) > SOURCES_MAX:
                self._clocks.popitem(last=False)
        self._clocks.move_to_end(source)
        return known

    async def _store(self, event: Event | BadgeUnreadable, *, feed: str, wait_s: float | None) -> Accepted:
        reading: GatedReading = ""
        self.counters.note(event)
        match event:
            case ReleaseStarted():
                receipt, reading = await self._started(event, wait_s)
            case ReleaseEnded():
                receipt = await self._ended(event)
            case BadgePresented():
                receipt = await self._badge(event)
            case PrinterNoted():
                # A cut where work on the printer begins and ends: its pages then lie in a gap of their own.
                self.registry.watcher(event.printer).ask_for_reading()
                receipt = await self._append(event)
            case Decided():
                receipt = await self._decided(event)
            case BadgeUnreadable():
                receipt = await self._append(event)
        self.counters.events[feed, receipt.outcome] += 1
        detail = "the first delivery counts; this one, with other data, is kept aside"
        return Accepted(receipt.outcome, detail if receipt.outcome == "conflict" else "", reading)

    async def _started(self, event: ReleaseStarted, wait_s: float | None) -> tuple[Receipt, GatedReading]:
        watcher = self.registry.watcher(event.printer)
        # Asked for before the fact is durable: the meter is about to move, and a read does no harm.
        watcher.ask_for_reading()
        receipt = await self.store.append(event)
        stored = (*receipt.notices, event) if receipt.outcome == "stored" else receipt.notices
        starts = _starts(stored)
        if starts:
            self._remember(event.origin.source, event.release, starts)
        await self._tell(receipt, Arrival(event, starts))
        for ended in receipt.notices:
            if isinstance(ended, ReleaseEnded) and self._lies_elsewhere(ended, event):
                await self._route_end(ended, starts)
        if wait_s is None:
            return receipt, ""
        result = await watcher.reading(wait_s)
        if result is None:
            return receipt, "not-waited"
        return receipt, "in-hand" if isinstance(result, Reading) else "failed"

    async def _ended(self, event: ReleaseEnded) -> Receipt:
        """An end notice names no printer: its release does. One that comes first waits under no printer."""
        starts = await self._starts_of(event)
        if starts:
            placed = self._after_start(event, starts)
            receipt = await self.store.append(placed)
            await self._tell(receipt, Arrival(placed, starts))
            return receipt
        receipt = await self.store.append(event)
        # The start may have been stored while this end was: whichever is stored last sees the other.
        await self._route_end(event, _starts(receipt.notices))
        return receipt

    async def _starts_of(self, event: ReleaseEnded) -> list[ReleaseStarted]:
        key = (event.origin.source, event.release)
        known = self._releases.get(key)
        if known is None:
            known = _starts(await self.store.release_facts(*key))
            if known:
                self._remember(*key, known)
        return known

    def _remember(self, source: str, release: str, starts: list[ReleaseStarted]) -> None:
        self._releases[source, release] = starts
        self._releases.move_to_end((source, release))
        if len(self._releases) > RELEASES_MAX:
            self._releases.popitem(last=False)

    @staticmethod
    def _lies_elsewhere(ended: ReleaseEnded, started: ReleaseStarted) -> bool:
        """An end under no printer, or under the one at which the release's name was used before."""
        return not ended.printer or (ended.printer != started.printer and ended.origin.at_us >= started.origin.at_us)

    @staticmethod
    def _after_start(event: ReleaseEnded, starts: Sequence[ReleaseStarted]) -> ReleaseEnded:
        """On the timeline of the latest start before it; an end is never before the first start there."""
        before = [start for start in starts if start.origin.at_us <= event.origin.at_us]
        printer = (before or starts)[-1].printer
        first_us = min(start.origin.at_us for start in starts if start.printer == printer)
        at_us = max(event.origin.at_us, first_us)
        return replace(event, printer=printer, origin=replace(event.origin, at_us=at_us))

    async def _route_end(self, event: ReleaseEnded, starts: list[ReleaseStarted]) -> None:
        if not starts:
            return
        placed = self._after_start(event, starts)
        # The copy keeps the release's source, which is part of the release's name; only its id is made anew.
        copy = replace(placed, origin=replace(placed.origin, id=f"{event.origin.id}#routed"))
        receipt = await self.store.append(copy)
        await self._tell(receipt, Arrival(copy, starts))

    async def route_waiting_ends(self) -> None:
        """At the start: ends that were stored before their release's start, when the process died in between."""
        for ended in await self.store.unrouted_ends():
            if isinstance(ended, ReleaseEnded):
                await self._route_end(ended, await self._starts_of(ended))

    async def _badge(self, event: BadgePresented) -> Receipt:
        """On the timeline of every printer behind the gateway; the first carries the event's own identity."""
        printers = self.registry.behind(event.gateway)
        for printer in printers:
            self.registry.watcher(printer).ask_for_reading()
        first = printers[0] if printers else ""
        receipt = await self._append(replace(event, printer=first))
        for printer in printers[1:]:
            identity = f"{event.origin.source} {event.origin.id} {printer}"
            origin = replace(event.origin, source=COPY_SOURCE, id=identity)
            await self._append(replace(event, printer=printer, origin=origin))
        return receipt

    async def _decided(self, event: Decided) -> Receipt:
        """On the timeline of the finding's printer; the rows from its beginning on are made anew. Raises BadFact."""
        finding = await self.store.finding(event.finding)
        if finding is None:
            raise BadFact("data.finding", f"{event.finding[:40]!r} is no finding; pagereeve findings --all lists them")
        placed = replace(event, printer=finding.printer)
        receipt = await self.store.append(placed)
        if finding.printer:
            await self._tell(receipt, Arrival(placed, concerns_us=finding.since_us))
        elif receipt.outcome == "stored":
            self.badge_watcher.begin_again(finding.since_us)
        return receipt

    async def _append(self, fact: Event | BadgeUnreadable) -> Receipt:
        receipt = await self.store.append(fact)
        await self._tell(receipt, Arrival(fact))
        return receipt

    async def _tell(self, receipt: Receipt, arrival: Arrival) -> None:
        """The printer's watcher hears of what is durable; a duplicate changes nothing."""
        printer = arrival.fact.printer
        if receipt.outcome == "stored":
            self.badge_watcher.accept(arrival.fact)
        if not printer or receipt.outcome == "duplicate":
            return
        watcher = self.registry.watcher(printer)
        if receipt.outcome == "stored":
            await watcher.take(arrival)
        else:
            # The journal wrote a Conflict fact: whoever owns the timeline reads it from there.
            watcher.begin_again(instant_us(arrival.fact))


def _line_origin(feed: str, event_id: str, received_us: int) -> Origin:
    """Of what came without a time and an id of its own."""
    return Origin(f"urn:pagereeve:feed:{feed}", event_id, received_us, received_us, clock="missing")


def _starts(notices: Sequence[Fact]) -> list[ReleaseStarted]:
    """Start notices among a release's notices, in order of time, ties by identity."""
    starts = [one for one in notices if isinstance(one, ReleaseStarted)]
    return sorted(starts, key=lambda one: one.origin.order)
