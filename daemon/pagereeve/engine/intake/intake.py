"""The line that an event passes: dated, hashed, placed, stored, handed on, and only then acknowledged."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial

from pagereeve.domain.badges.form import WHAT_TO_DO
from pagereeve.domain.facts.facts import (
    BadgePresented,
    BadgeUnreadable,
    Event,
    PagesDecided,
    ReleaseAnswered,
    ReleaseEnded,
    ReleaseStarted,
)
from pagereeve.domain.values.errors import BadFact
from pagereeve.engine.badges.watcher import BadgeWatcher
from pagereeve.engine.counters import EngineCounters
from pagereeve.engine.intake.badge_hashing import BadgeHasher
from pagereeve.engine.intake.dating import Dated, Dating, OnClaim
from pagereeve.engine.intake.decision_limits import DecisionLimits
from pagereeve.engine.intake.handing_on import HandingOn, Waited
from pagereeve.engine.intake.noted_readings import judged_by
from pagereeve.engine.intake.page_decisions import checked_by
from pagereeve.engine.intake.placement import Lookup, Placed, place, routed
from pagereeve.engine.intake.privacy import Privacy
from pagereeve.engine.intake.releases import Releases, own_notices
from pagereeve.engine.intake.site_names import SiteNames
from pagereeve.engine.intake.spooling import Spooling
from pagereeve.engine.intake.storing import Storing
from pagereeve.engine.printers.registry import PrinterRegistry
from pagereeve.ports.clock import Clock
from pagereeve.ports.intake import Accepted, BadgeLine, Envelope, Outcome, RefusedInput, Remark
from pagereeve.ports.journal import JournalUnavailable, Receipt
from pagereeve.ports.spool import Spoolable
from pagereeve.ports.store import IntakeStore

KEY_PRESSED = "a key of the reader's keypad is no badge: nothing of it was kept"
OTHER_DATA = "the first delivery counts; this one, with other data, is kept aside"

ANSWER_UNKEPT = "this answer could not be stored: the release's pages are looked for from its notice on"


@dataclass(slots=True)
class EventIntake:
    """Implements ports.intake.Intake. Each stage is a module beside this one, and knows nothing of the later ones.

    Envelope or BadgeLine -> Dated -> Event -> Placed -> Receipt -> Accepted
    """

    store: IntakeStore
    registry: PrinterRegistry
    clock: Clock
    counters: EngineCounters
    badges: BadgeHasher
    badge_watcher: BadgeWatcher
    keep_titles: bool = False
    agreed: Callable[[], bool] = lambda: True
    on_claim: OnClaim | None = None
    names: SiteNames = field(default_factory=SiteNames)
    spooling: Spooling | None = None
    dating: Dating = field(init=False)
    privacy: Privacy = field(init=False)
    releases: Releases = field(init=False)
    lookup: Lookup = field(init=False)
    handing_on: HandingOn = field(init=False)
    storing: Storing = field(init=False)
    limits: DecisionLimits = field(init=False)

    def __post_init__(self) -> None:
        self.dating = Dating(self.clock, self.store.recent_delays, self.counters, self.agreed, self.on_claim)
        self.privacy = Privacy(self.badges, self.counters, self.keep_titles)
        self.limits = DecisionLimits(self.store, self.clock.now_us)
        self.releases = Releases(partial(own_notices, self.store))
        self.lookup = Lookup(
            self.releases.starts,
            self.store.finding,
            self.registry.behind,
            self.store.release_facts,
            self._is_known,
            checked_by(self.store),
            judged_by(self.store, self._is_known),
        )
        self.handing_on = HandingOn(self.registry, self.badge_watcher)
        self.storing = Storing(self.store.append, self.store.append_together, self.releases, self.handing_on.hand_on)

    async def take(self, envelope: Envelope, *, feed: str, wait_s: float | None, rest: bool = False) -> Accepted:
        arrived_us = self.clock.monotonic_us()
        try:
            dated = await self.dating.envelope(envelope)
            limit = envelope.pages_day_max
            return await self._accept(dated, feed, wait_s, arrived_us, rest=rest, pages_day_max=limit)
        except BadFact as error:
            self._count_refused(feed, error)
            raise

    async def badge_line(self, line: BadgeLine) -> Accepted:
        try:
            return await self._accept(self.dating.line(line), line.feed, None, self.clock.monotonic_us(), waits=False)
        except BadFact as error:
            self._count_refused(line.feed, error)
            raise

    async def refused(self, refused: RefusedInput) -> None:
        self.counters.refused[refused.feed, refused.reason] += 1
        if refused.gateway:
            await self._keep_or_spool(self.dating.refused(refused), self.clock.monotonic_us())

    async def route_waiting_ends(self) -> None:
        """At the start: ends that were stored before their release's start, when the process died in between."""
        for ended in await self.store.unrouted_ends():
            if isinstance(ended, ReleaseEnded):
                starts = await self.releases.starts(ended.origin.source, ended.release)
                if starts:
                    await self.storing.store(Placed((routed(ended, starts),), starts))

    async def _accept(
        self,
        dated: Dated,
        feed: str,
        wait_s: float | None,
        arrived_us: int,
        *,
        rest: bool = False,
        waits: bool = True,
        pages_day_max: int | None = None,
    ) -> Accepted:
        """``waits``: for an answer, so that it is sent again where none comes."""
        remarks = [*(Remark(one.where, one.problem) for one in dated.remarks), *self.names.remarks(dated.event)]
        event = self.privacy.event(replace(dated, event=self.names.placed(dated.event)))
        if event is None:
            self.counters.events[feed, "ignored"] += 1
            return Accepted("ignored", KEY_PRESSED)
        if isinstance(event, BadgeUnreadable) and event.reason in WHAT_TO_DO:
            remarks.append(Remark("data.badge", f"was not used ({event.reason}): {WHAT_TO_DO[event.reason]}"))
        self.counters.note(event)
        if not waits and isinstance(event, BadgePresented | BadgeUnreadable):
            outcome = await self._keep_or_spool(event, arrived_us)
            self.counters.events[feed, outcome] += 1
            return Accepted(outcome, OTHER_DATA if outcome == "conflict" else "", remarks=tuple(remarks))
        placed, receipt = await self._keep(event, arrived_us, pages_day_max)
        self.counters.events[feed, receipt.outcome] += 1
        detail = OTHER_DATA if receipt.outcome == "conflict" else ""
        if wait_s is None or not placed.gate:
            return Accepted(receipt.outcome, detail, remarks=tuple(remarks))
        stored = receipt.outcome == "stored"
        waited = await self.handing_on.wait(placed, wait_s, arrived_us, rest=rest, stored=stored)
        # An earlier delivery may have been answered at once, and its job be let go since.
        if stored and isinstance(event, ReleaseStarted) and not waited.kept:
            detail = await self._keep_answer(event, waited)
        return Accepted(receipt.outcome, detail, waited.reading, waited.rest, tuple(remarks))

    async def _keep_answer(self, started: ReleaseStarted, waited: Waited) -> str:
        """The release's window opens at its answer. "", or what the sender should know."""
        answered = ReleaseAnswered(
            started.printer,
            self.clock.now_us(),
            *started.origin.key,
            started_us=started.origin.at_us,
            reading=waited.reading,
            rest=waited.rest,
        )
        try:
            await self.storing.store(Placed((answered,), concerns_us=started.origin.at_us))
        except JournalUnavailable:
            # The notice is durable, and a person waits for pages.
            return ANSWER_UNKEPT
        return ""

    async def _keep_or_spool(self, event: Spoolable, arrived_us: int) -> Outcome:
        """As ``_keep``. What waits in the spool counts as stored: it is durable."""
        if self.spooling is None:
            return (await self._keep(event, arrived_us))[1].outcome
        placed = await place(event, self.lookup)
        receipts: list[Receipt] = []

        def ask() -> None:
            self.handing_on.ask_for_readings(placed, arrived_us)

        async def store() -> None:
            ask()
            receipts.append(await self.storing.store(placed))

        stored = await self.spooling.stored(event, store, ask)
        return receipts[0].outcome if stored else "stored"

    async def replay(self, event: Spoolable) -> None:
        """One that waited in the spool: as it was received then. Raises as ``badge_line`` does."""
        await self.storing.store(await place(event, self.lookup))

    async def _keep(
        self, event: Event | BadgeUnreadable, arrived_us: int, pages_day_max: int | None = None
    ) -> tuple[Placed, Receipt]:
        if pages_day_max is not None and isinstance(event, PagesDecided):
            # Who may not decide any more learns of no release either.
            await self.limits.require_room(event, pages_day_max)
        placed = await place(event, self.lookup)
        self.handing_on.ask_for_readings(placed, arrived_us)
        decided = placed.facts[0]
        if pages_day_max is None or not isinstance(decided, PagesDecided):
            return placed, await self.storing.store(placed)
        return placed, await self.limits.stored(decided, pages_day_max)

    def _is_known(self, printer: str) -> bool:
        return printer in self.registry.registered

    def _count_refused(self, feed: str, error: BadFact) -> None:
        self.counters.refused[feed, error.where[:60]] += 1
