"""The composition root: the daemon as an object. Built from settings, started, stopped in reverse (port 0 is fine)."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable
from contextlib import AsyncExitStack
from dataclasses import replace
from functools import partial
from typing import Self

import structlog

from pagereeve.app import log_lines as told
from pagereeve.app.alerting import Alerting
from pagereeve.app.badge_key import badge_key
from pagereeve.app.clock_keeper import ClockKeeper
from pagereeve.app.clocks import SystemEntropy
from pagereeve.app.closing_process.run import closings_of
from pagereeve.app.credential_keeper import CredentialKeeper
from pagereeve.app.data_folder import prepare_folder
from pagereeve.app.dating_on import Corrected
from pagereeve.app.deciding.decider import decision_door
from pagereeve.app.deciding.door import with_decisions
from pagereeve.app.forwarding import Forwarding
from pagereeve.app.hint_keeping import open_keeper
from pagereeve.app.housekeeping import start_housekeeping
from pagereeve.app.http_door import HttpDoor, certificate_of
from pagereeve.app.installing.api_checks import check_door
from pagereeve.app.installing.check_door import with_checks
from pagereeve.app.installing.door import with_installing
from pagereeve.app.installing.opening import install_door
from pagereeve.app.installing.unjudged import told_at_start
from pagereeve.app.journal_changes import JournalChanges
from pagereeve.app.journals import open_journal
from pagereeve.app.load_measured import load_measured, put_off
from pagereeve.app.local_door import FEED as LOCAL_FEED
from pagereeve.app.local_door import LocalApp, LocalDoor, orders_of
from pagereeve.app.questions.forwarding import QuestionForwarder
from pagereeve.app.questions.own import with_health
from pagereeve.app.questions.process import QueryProcess
from pagereeve.app.receivers import receivers_of
from pagereeve.app.refusal_log import RefusalLog
from pagereeve.app.registered import gateway_names, poll_policy, registered_printers, site_names
from pagereeve.app.reload import Reloader, RunningParts
from pagereeve.app.reload_plan import LoadSettings
from pagereeve.app.seal_heads import SealLog
from pagereeve.app.settings_trace import note_settings
from pagereeve.app.shares import shares_for
from pagereeve.app.sign_in import SignIn
from pagereeve.app.site_at_start import record_site
from pagereeve.app.sites.door import with_forwarding
from pagereeve.app.sites.opening import forward_door, open_sites
from pagereeve.app.spooling import SpoolKeeper
from pagereeve.app.start_options import StartOptions
from pagereeve.app.telemetry import Telemetry
from pagereeve.console.sign_in.counting import SignInCounts
from pagereeve.domain.facts.facts import Fact, GatewayChecked
from pagereeve.domain.facts.reading import Failure, Reading
from pagereeve.engine.badges.watcher import BadgeWatcher
from pagereeve.engine.counters import EngineCounters
from pagereeve.engine.following import FactFollower
from pagereeve.engine.gateways.checker import GatewayChecker
from pagereeve.engine.hints.keeper import DutyWork
from pagereeve.engine.intake.badge_hashing import BadgeHasher
from pagereeve.engine.intake.intake import EventIntake
from pagereeve.engine.printers.context import WatcherContext
from pagereeve.engine.printers.registry import PrinterRegistry
from pagereeve.engine.supervision.journal_watch import JournalWatch
from pagereeve.engine.supervision.overload import OverloadWatch
from pagereeve.engine.supervision.supervisor import Supervisor
from pagereeve.engine.supervision.watchdog import Watchdog
from pagereeve.feeds.http.callers import HttpCallers
from pagereeve.feeds.http.endpoint import make_events
from pagereeve.feeds.http.guarding import around_pages
from pagereeve.feeds.http.settings import HttpSettings
from pagereeve.feeds.http.tls import ServerCertificate
from pagereeve.feeds.kind import FeedContext, OpenFeed
from pagereeve.feeds.lines.relayed import RelayLink
from pagereeve.feeds.local.callers import LocalCallers
from pagereeve.meters.discovery.profile import profiles_with
from pagereeve.meters.doors import MeterDoors
from pagereeve.meters.gateway_probe import NetworkProbe
from pagereeve.meters.snmp.stats import MeterHooks
from pagereeve.ports.clock import Clock
from pagereeve.ports.entropy import Entropy
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.ports.setting_types import HostPort
from pagereeve.ports.telemetry import DiskTelemetry, FeedTelemetry
from pagereeve.settings import BadSettings, Problem, Settings
from pagereeve.settings.changes import relays_to_restart
from pagereeve.settings.open_address import open_address_problem
from pagereeve.telemetry.disk import disk_of, disk_trouble
from pagereeve.telemetry.file_system import network_trouble
from pagereeve.telemetry.pages import make_web, status_pages, with_questions
from pagereeve.telemetry.repeated import Repeated

FIRST_READS_SPREAD_S = 30.0
TASKS = (
    *("printers", "badges", "wal", "journal", "watchdog", "alerts", "deliveries", "memory", "reload", "clock"),
    *("credentials", "gateways", "spool", "following", "forwarding", "sites"),
)

log = structlog.get_logger("pagereeve.app")


class App:
    """``async with App(settings)``: everything is up inside; outside everything accepted is stored and closed."""

    def __init__(
        self,
        settings: Settings,
        *,
        clock: Clock | None = None,
        entropy: Entropy | None = None,
        meter_hooks: MeterHooks | None = None,
        first_reads_spread_s: float = FIRST_READS_SPREAD_S,
        options: StartOptions | None = None,
        load: LoadSettings | None = None,
        after: Corrected | None = None,
    ) -> None:
        self.settings = settings
        self.clock_keeper = ClockKeeper(settings, clock, after)
        self.clock = self.clock_keeper.clock
        self.entropy = entropy or SystemEntropy()
        self.counters = EngineCounters()
        self.supervisor = Supervisor(self.clock, self._trouble, TASKS)
        self.ready = False
        self.feeds: dict[str, OpenFeed] = {}
        self.relay_link: RelayLink | None = None
        self._gateway_names = gateway_names(settings)
        self._feed_figures: dict[str, Callable[[], FeedTelemetry]] = {}
        self._options = options or StartOptions()
        self._meter_hooks = meter_hooks
        self._first_reads_spread_s = first_reads_spread_s
        self._load = load
        self._silences = Repeated(log, self.clock, usual="good")
        self._stack = AsyncExitStack()
        self._http_door: HttpDoor | None = None

    async def __aenter__(self) -> Self:
        try:
            await self._start()
        except BaseException:
            await self._stack.aclose()
            raise
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.stop()

    async def stop(self) -> None:
        """Feeds first, then the watchers, the meter, the journal: what was accepted is stored."""
        self.ready = False
        async with asyncio.timeout(self.settings.limits.stop_within.seconds):
            await self._stack.aclose()

    async def _start(self) -> None:
        settings = self.settings
        for warning in prepare_folder(settings.data_dir):
            log.warning(warning)
        if network := network_trouble(settings.data_dir):
            log.warning("the data folder is in the wrong place", folder=str(settings.data_dir), why=network)
        self.store = await open_journal(settings, self.clock, self._options)
        self._stack.push_async_callback(self.store.close)
        self.following = self.store.following()
        self._stack.push_async_callback(self.following.close)
        self.spool_keeper = await SpoolKeeper.opened(settings, self.store)
        self._stack.push_async_callback(self.spool_keeper.close)
        self.seal_log = SealLog(self.store, self.clock, log)
        await self.seal_log.note()
        # After all that is stored at the stop.
        self._stack.push_async_callback(self.seal_log.note)
        await self.clock_keeper.begin(self.store)
        self._open_meters()
        await self._open_registry()
        self.alerting = self._alerting()
        self._stack.push_async_callback(self.alerting.close)
        self.forwarding = Forwarding.of(settings, self.store, self.clock, self.entropy, self.overload_watch)
        self._stack.push_async_callback(self.forwarding.close)
        key = await badge_key(settings.badge_key_file, self.store, renew=self._options.new_badge_key)
        self.badges = BadgeHasher(key, settings.badges.form.to_form(), settings.badge_forms())
        self.badge_watcher = BadgeWatcher(self.store, self.clock)
        self.intake = EventIntake(
            store=self.store,
            registry=self.registry,
            clock=self.clock,
            counters=self.counters,
            badges=self.badges,
            badge_watcher=self.badge_watcher,
            keep_titles=settings.privacy.keep_titles,
            agreed=self.clock_keeper.is_agreed,
            on_claim=self.clock_keeper.watch.witnesses.claim,
            names=site_names(settings),
        )
        self.counters.remember(await self.store.last_events(), await self.store.newest_us())
        await record_site(self.store, self.clock, settings, self.badges)
        await self._note_settings(settings)
        await asyncio.to_thread(told_at_start, settings.data_dir)
        self._stack.push_async_callback(self.badge_watcher.finish)
        self._stack.push_async_callback(self.registry.stop)
        await self._begin_watching()
        by = (lambda: self.settings, self.clock_keeper.is_agreed, self.counters, self.keeper)
        await start_housekeeping(self.supervisor, self.clock, self.store, *by)
        self.journal_changes = changes = JournalChanges(self.store, self.registry.look_again)
        damaged = self.store.damaged
        journal_watch = JournalWatch(self.clock, self.store.look, changes.changed, damaged, told.damaged)
        self.supervisor.start("journal", "journal", journal_watch.run, heartbeat=journal_watch.heartbeat, forever=True)
        self.supervisor.start("journal", "seal", self.seal_log.run, heartbeat=self.seal_log.heartbeat, forever=True)
        alerts = DutyWork(partial(self.alerting.start, self.supervisor), self.alerting.pause)
        await self.keeper.undertake("alerts", alerts)
        await self.keeper.undertake("forwarding", self.forwarding.duty(self.supervisor, self.site_facts))
        self.watchdog = Watchdog(self.clock, self.supervisor, self.store.waiting_since_us, told.stalled)
        self.supervisor.start("watchdog", "watchdog", self.watchdog.run, forever=True)
        self.overload_watch.start(self.supervisor)
        await self._open_doors()
        self.ready = True
        log.info("ready", http=str(HostPort(*self.http_address)), printers=len(settings.printers))

    async def _begin_watching(self) -> None:
        badges, its = self.badge_watcher.run, self.badge_watcher.heartbeat
        await self.keeper.undertake("badges", DutyWork.of_task(self.supervisor, "badges", badges, its))
        await self._check_gateways()
        await self.clock_keeper.start(self.supervisor, self.badge_watcher)
        seen = {printer: run.fact async for printer, run in self.store.open_runs()}
        written = await self.store.printers()
        await self.keeper.watch(self.registry)
        self.registry.start(seen, written)
        await self.intake.route_waiting_ends()
        self.site_facts = await open_sites(self.store, self.clock, self.registry, self.settings.site.zone, self._accept)
        self.spool_keeper.start(self.intake, self.registry, self.supervisor, self.feeds)
        self._follow()

    def _follow(self) -> None:
        around = (self.store, self.clock, self.intake, self.registry, self.badge_watcher)
        follower = FactFollower(self.following, *around, self._hear_of_gateway, self.alerting.maintenance.changed)
        self.supervisor.start("following", "following", follower.run, heartbeat=follower.heartbeat, forever=True)

    def _open_meters(self) -> None:
        profiles = profiles_with(self.settings.meters.profiles)
        profiles.require(printer.profile for printer in self.settings.printers)
        given = self._meter_hooks or MeterHooks()
        hooks = replace(given, on_note=given.on_note or told.meter)
        self.meter = MeterDoors.of(self.clock, self.entropy, hooks, profiles)
        self._stack.push_async_callback(self.meter.close)
        self.gateway_checker = self._gateway_checker()

    def _gateway_checker(self) -> GatewayChecker:
        probe, every_s = NetworkProbe(self.clock, self.entropy), self.settings.watch.gateway_check.seconds
        checker = GatewayChecker(probe, self.store, self.clock, self.entropy, self._accept, every_s)
        self._stack.push_async_callback(probe.close)
        self._stack.push_async_callback(checker.close)
        return checker

    def _hear_of_gateway(self, checked: GatewayChecked) -> None:
        self.gateway_checker.heard(checked)
        if checked.state == "up":
            self.registry.read_behind(checked.gateway)

    async def _check_gateways(self) -> None:
        checker = self.gateway_checker
        await checker.open(self.settings.gateway_checks())
        self.supervisor.start("gateways", "gateways", checker.run, heartbeat=checker.heartbeat, forever=True)

    async def _open_registry(self) -> None:
        printers = registered_printers(self.settings)
        beside = (self.spool_keeper, printers, self.supervisor, self._stack)
        self.keeper = await open_keeper(self.store, self.clock, *beside)
        around = WatcherContext(
            store=self.store,
            meter=self.meter,
            clock=self.clock,
            entropy=self.entropy,
            poll_policy=poll_policy(self.settings),
            counters=self.counters,
            on_read=self._on_read,
            on_learned=told.learned,
            on_archive=told.archive_wanted,
            first_spread_s=self._first_reads_spread_s,
            apart=not self.clock_keeper.boot.agreed,
            gateways=self.gateway_checker,
            jobs=self.meter,
            pressed=lambda: self.overload_watch.overloaded,
            spool=self.spool_keeper.spool,
            is_away=self.spool_keeper.is_away,
            held=self.keeper.gate,
        )
        self.registry = PrinterRegistry(around, self.supervisor, printers, self.keeper.holds)
        measured = partial(load_measured, self.store, self.registry)
        self.overload_watch = OverloadWatch(self.clock, measured, told.overload)

    def _alerting(self) -> Alerting:
        receivers = receivers_of(self.settings.alerts, self.clock)
        return Alerting.of(self.settings, receivers, self.registry, self.store, self.clock, self.entropy, self._accept)

    def _accept(self, fact: Fact) -> None:
        """Of the site: whoever stored it was made before the watcher of badges."""
        self.badge_watcher.accept(fact)
        if isinstance(fact, GatewayChecked):
            self._hear_of_gateway(fact)

    async def _open_doors(self) -> None:
        settings = self.settings
        self.callers = HttpCallers(self.clock.wall_us)
        self.credentials = CredentialKeeper(self.store, self.callers, self.clock)
        given = (one.credential for one in settings.http_credentials())
        await self.credentials.start(self.supervisor, given)
        if problem := open_address_problem(settings.http, credentials=bool(self.callers.book)):
            raise BadSettings("the settings", [Problem("http.listen", problem)])
        self.events = make_events(
            settings.http,
            self.intake,
            self.clock,
            requests_max=settings.limits.requests_max,
            callers=self.callers,
            put_off=partial(put_off, self.store, self.overload_watch),
        )
        self._feed_figures["http"] = self.events.stats.telemetry
        self.local_callers = LocalCallers(settings.local, os.geteuid())
        self._stack.callback(self.local_callers.close)
        self.reloader = self._reloader()
        self.supervisor.start("reload", "reload", self.reloader.run, forever=True)
        self.sign_in_counts = SignInCounts()
        self.telemetry = self._telemetry()
        self.query_process = QueryProcess(lambda: self.settings)
        self.closings = closings_of(self.store, lambda: self.settings, self.clock)
        self.questions = QuestionForwarder(
            self.query_process, self.clock.now_us, lambda: self.closings.state, self.store.refusal
        )
        self._stack.push_async_callback(self.closings.stop)
        self._stack.push_async_callback(self.questions.close)
        self._open_local_door()
        shares = shares_for(settings)
        await self._serve(shares.http)
        await self._open_feeds(shares.line_feed)
        refusals = RefusalLog(self._feed_figures, log, self.clock)
        refusals.start()
        self._stack.callback(refusals.stop)

    def _open_local_door(self) -> None:
        questions = with_health(self.questions, self.telemetry)
        pages = with_questions(status_pages(self.telemetry, self.telemetry), questions)
        events = LocalDoor.events_of(self.settings, self.intake, self.clock)
        orders = orders_of(self.store, self.clock, self.clock_keeper.keep_word, self.closings, lambda: self.settings)
        decisions = decision_door(self.store, events, self.clock, self.closings)
        app = LocalApp(self.local_callers, events, pages, orders, events.stats, decisions)
        door = LocalDoor(self.settings, app, partial(self._trouble, LOCAL_FEED))
        door.start()
        self._stack.push_async_callback(door.stop)
        self._feed_figures[LOCAL_FEED] = events.stats.telemetry

    def _reloader(self) -> Reloader:
        parts = RunningParts(
            store=self.store,
            clock=self.clock,
            meter=self.meter,
            registry=self.registry,
            keeper=self.keeper,
            alerting=self.alerting,
            badges=self.badges,
            badge_watcher=self.badge_watcher,
            intake=self.intake,
            credentials=self.credentials,
            gateway_names=self._gateway_names,
            gateway_checker=self.gateway_checker,
            local=self.local_callers,
            change_http=self._change_http,
        )
        return Reloader(self.settings, parts, self._load, self._reloaded, self._note_settings)

    async def _note_settings(self, settings: Settings) -> None:
        """Of thousands of printers it takes a tenth of a second, in which badges would wait."""
        await asyncio.to_thread(note_settings, settings, self.clock.wall_us())

    def _reloaded(self, settings: Settings) -> None:
        restart = relays_to_restart(self.settings, settings)
        if restart:
            log.warning("a relay takes this over when it is restarted", relays=restart, run="pagereeve relay")
        self.settings = settings
        self.query_process.renew()
        if self.relay_link is not None:
            self.relay_link.change(settings.relays)

    def _change_http(self, settings: HttpSettings, certificate: ServerCertificate | None) -> None:
        if self._http_door is not None:  # else it begins with them
            self._http_door.change(settings, certificate)

    def _telemetry(self) -> Telemetry:
        return Telemetry(
            each_printer=self.registry.telemetry if self.settings.metrics.per_printer else tuple,
            feeds=self._feed_figures,
            receivers=self.alerting.figures,
            reload=self.reloader.telemetry,
            gateways=self.gateway_checker.telemetry,
            overload=self.overload_watch.telemetry,
            sign_ins=lambda: dict(self.sign_in_counts.counts),
            journal=self.store.health,
            spool=self.spool_keeper.figures,
            forwarding=self.forwarding.telemetry,
            sites=self.site_facts.telemetry,
            sites_notice=self.site_facts.notice,
            meter=self.meter.telemetry,
            engine=self.counters.telemetry,
            tasks=self.supervisor.telemetry,
            clock=self.clock_keeper.watch.telemetry,
            disk=self._disk,
            loop_lag_s=self.watchdog.lag_s,
            site_findings=self.badge_watcher.open_findings,
            open_alerts=self.alerting.dispatcher.open_alerts,
            troubles={
                "start": lambda: "" if self.ready else "the daemon is still starting, or is stopping",
                "journal": lambda: self.spool_keeper.trouble() or self.watchdog.write_trouble(),
                "tasks": self.supervisor.trouble,
                "loop": self.watchdog.loop_trouble,
                "disk": lambda: disk_trouble(self._disk()),
            },
        )

    def _disk(self) -> DiskTelemetry | None:
        return disk_of(self.settings.data_dir)

    async def _serve(self, connections_max: int) -> None:
        around = around_pages(self.callers, self.events.stats, self.clock)
        questions = with_health(self.questions, self.telemetry)
        stats, seal = self.events.stats, self.seal_log.answer
        web = make_web(self.events, self.telemetry, self.telemetry, around, seal, questions)
        decided = with_decisions(web, decision_door(self.store, self.events, self.clock, self.closings))
        installing = install_door(self._load, self.reloader, lambda: self.meter.profiles, self.events, self.clock)
        checks = check_door(installing.installing, self.store, self.events)
        self._stack.callback(installing.close)
        door = forward_door(self.site_facts, self.events, self.settings.http)
        self.sign_in = SignIn(
            with_forwarding(with_installing(with_checks(decided, checks), installing), door),
            self.callers,
            stats,
            self.store,
            self.clock,
            lambda: self.settings.console,
            self.sign_in_counts,
        )
        self._http_door = HttpDoor(
            self.settings,
            self.sign_in,
            stats,
            partial(self._trouble, "http"),
            connections_max=connections_max,
            wall_us=self.clock.wall_us,
            has_credentials=lambda: bool(self.callers.book),
        )
        self._change_http(self.settings.http, certificate_of(self.settings.http))
        await self._http_door.start()
        self._stack.push_async_callback(self._http_door.stop)

    async def _open_feeds(self, connections_max: int) -> None:
        settings = self.settings
        context = FeedContext(
            intake=self.intake,
            clock=self.clock,
            on_error=self._trouble,
            gateways=self._gateway_names,
            connections_max=connections_max,
            peer_connections_max=settings.limits.line_peer_connections_max,
            backlog_max=settings.limits.line_backlog_max,
        )
        for kind, one in settings.feeds.each():
            feed = kind.make(one, context)
            await feed.start()
            self._stack.push_async_callback(feed.stop)
            self._show_feed(one.name, feed)
        if settings.relays:
            link = self.relay_link = RelayLink(settings.relays, settings.relay_socket_path, context)
            await link.start()
            self._stack.push_async_callback(link.stop)
            for name, relayed in link.feeds.items():
                self._show_feed(name, relayed)

    def _show_feed(self, name: str, feed: OpenFeed) -> None:
        self.feeds[name] = feed
        self._feed_figures[name] = feed.stats.telemetry

    @property
    def http_address(self) -> tuple[str, int]:
        """Where the HTTP endpoint really listens (useful with port 0)."""
        if self._http_door is None:
            raise RuntimeError("the HTTP endpoint is not open")
        return self._http_door.address

    def _on_read(self, printer: str, result: Reading | Failure) -> None:
        self.clock_keeper.read(printer, result)
        state = "good" if isinstance(result, Reading) else result.reason.value
        detail = "" if isinstance(result, Reading) else result.detail
        self._silences.note(printer, state, "meter", printer=printer, detail=detail)

    def _trouble(self, name: str, error: BaseException) -> None:
        self.counters.unavailable += isinstance(error, JournalUnavailable)
        told.trouble(name, error)
