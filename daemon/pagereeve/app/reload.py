"""SIGHUP: settings are read again, and what can change while the daemon runs is in force from then on; or nothing."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Final

import structlog

from pagereeve.app.alerting import Alerting
from pagereeve.app.credential_keeper import CredentialKeeper
from pagereeve.app.hint_keeping import gateways_of
from pagereeve.app.receivers import receivers_of
from pagereeve.app.registered import gateway_names, site_names
from pagereeve.app.reload_plan import LoadSettings, ReloadPlan
from pagereeve.app.renaming import rename
from pagereeve.app.site_record import append_all, new_people, new_site_facts
from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.ledger import Severity
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.engine.badges.watcher import BadgeWatcher
from pagereeve.engine.gateways.checker import GatewayChecker
from pagereeve.engine.hints.keeper import HintKeeper
from pagereeve.engine.intake.badge_hashing import BadgeHasher
from pagereeve.engine.intake.intake import EventIntake
from pagereeve.engine.printers.registry import PrinterRegistry
from pagereeve.feeds.http.settings import HttpSettings
from pagereeve.feeds.http.tls import ServerCertificate
from pagereeve.feeds.local.callers import LocalCallers
from pagereeve.meters.doors import MeterDoors
from pagereeve.ports.clock import Clock
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.ports.receiver import Receiver
from pagereeve.ports.store import Store
from pagereeve.ports.telemetry import RELOAD_OUTCOMES, ReloadOutcome, ReloadTelemetry
from pagereeve.settings import BadList, Settings

log = structlog.get_logger("pagereeve.reload")

TROUBLE_MAX: Final = 600
Receivers = Sequence[tuple[Receiver, Severity]]


@dataclass(slots=True)
class RunningParts:
    """What of the running daemon a reload changes, each in its own place."""

    store: Store
    clock: Clock
    meter: MeterDoors
    registry: PrinterRegistry
    keeper: HintKeeper
    alerting: Alerting
    badges: BadgeHasher
    badge_watcher: BadgeWatcher
    intake: EventIntake
    credentials: CredentialKeeper
    gateway_names: dict[str, str]
    gateway_checker: GatewayChecker
    local: LocalCallers
    change_http: Callable[[HttpSettings, ServerCertificate | None], None]


@dataclass(slots=True)
class Reloader:
    """``settings`` are those in force. ``on_applied`` hears of each change, once it is in force; ``note`` after that.

    One reload at a time; whoever asks while one runs gets one more after it.
    """

    settings: Settings
    parts: RunningParts
    load: LoadSettings | None = None
    on_applied: Callable[[Settings], None] = lambda _: None
    note: Callable[[Settings], Awaitable[None]] | None = None
    counts: Counter[ReloadOutcome] = field(default_factory=Counter)
    trouble: str = ""
    refusal: str = ""
    success_us: int | None = None
    _asked: asyncio.Event = field(default_factory=asyncio.Event)
    _turn: asyncio.Lock = field(default_factory=asyncio.Lock)

    def ask(self) -> None:
        self._asked.set()

    async def run(self) -> None:
        while True:
            await self._asked.wait()
            self._asked.clear()
            await self.reload()

    async def reload(self) -> bool:
        """True where the settings are in force now. What refuses them is logged, counted and kept in ``trouble``."""
        return not await self.reload_now()

    async def reload_now(self) -> str:
        """The same; says why they are not in force, "" where they are."""
        async with self._turn:
            return "" if await self._tried() else self.refusal

    async def _tried(self) -> bool:
        try:
            await self._reload()
        except JournalUnavailable as error:
            self._note("failed", f"{error}; then send SIGHUP again")
            return False
        except BadList as error:
            # Every user of the page and the metrics would see whom the list names.
            self._note("refused", f"{error.source} has errors; pagereeve check-config lists them")
            return False
        except PagereeveError as error:
            self._note("refused", str(error))
            return False
        self.counts["applied"] += 1
        self.trouble, self.success_us = "", self.parts.clock.now_us()
        return True

    def telemetry(self) -> ReloadTelemetry:
        counts: dict[str, int] = {outcome: self.counts[outcome] for outcome in RELOAD_OUTCOMES}
        return ReloadTelemetry(counts, self.success_us, self.trouble)

    def _note(self, outcome: ReloadOutcome, why: str) -> None:
        self.counts[outcome] += 1
        one_line = "; ".join(line.strip() for line in why.splitlines())
        self.refusal = one_line[:TROUBLE_MAX]
        self.trouble = f"the settings read by SIGHUP are not in force, those of before are: {one_line}"[:TROUBLE_MAX]
        log.error("reload refused; the settings of before stay in force", why=why)

    async def _reload(self) -> None:
        if self.load is None:
            raise PagereeveError("there is no settings file to read again")
        plan = await asyncio.to_thread(ReloadPlan.of, self.settings, self.load, self.parts.meter.profiles)
        receivers = receivers_of(plan.settings.alerts, self.parts.clock)
        try:
            facts = await self._recorded(plan)
        except BaseException:
            for receiver, _ in receivers:
                await receiver.close()
            raise
        await self._take_over(plan, facts, receivers)
        if self.note is not None:
            await self.note(plan.settings)

    async def _recorded(self, plan: ReloadPlan) -> Sequence[Fact]:
        """What matters to the ledger is durable before any of it is in force. Raises JournalUnavailable."""
        parts, settings = self.parts, plan.settings
        badges = BadgeHasher(parts.badges.key, settings.badges.form.to_form(), settings.badge_forms())
        now_us = parts.clock.now_us()
        facts = await new_site_facts(parts.store, settings, badges, plan.directory, now_us)
        await append_all(parts.store, [*facts, *await new_people(parts.store, plan.people, now_us)])
        await parts.keeper.change(gateways_of(plan.printers))
        parts.badges.known, parts.badges.short = badges.known, badges.short
        return facts

    async def _take_over(self, plan: ReloadPlan, facts: Sequence[Fact], receivers: Receivers) -> None:
        parts, settings = self.parts, plan.settings
        self.settings = settings
        self.on_applied(settings)
        parts.badges.form, parts.badges.forms = settings.badges.form.to_form(), settings.badge_forms()
        for fact in facts:
            parts.badge_watcher.accept(fact)
        parts.intake.privacy.keep_titles = settings.privacy.keep_titles
        parts.intake.names = site_names(settings)
        parts.gateway_names.clear()
        parts.gateway_names.update(gateway_names(settings))
        parts.gateway_checker.change(plan.gateway_checks)
        parts.credentials.change(one.credential for one in plan.credentials)
        parts.local.change(settings.local)
        parts.change_http(settings.http, plan.certificate)
        change = await parts.registry.change(plan.printers, partial(rename, parts.store, parts.clock, settings))
        for printer in change.removed:
            parts.meter.forget(printer)
        await parts.alerting.change(settings, receivers)
        log.info(
            "reloaded",
            printers=len(settings.printers),
            added=len(change.added),
            removed=len(change.removed),
            changed=len(change.changed),
            facts=len(facts),
        )
