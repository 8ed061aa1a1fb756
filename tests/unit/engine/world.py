"""The engine among fakes: printers that print in virtual time, a meter that reads them, a journal in memory."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Self

from pagereeve.domain.facts.events import BADGE_PRESENTED, RELEASE_ENDED, RELEASE_STARTED
from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Count, Failure, PrinterState, Reading, Sight, SilenceReason, Unit
from pagereeve.domain.projection.projector import Ledger, replay
from pagereeve.domain.values.instants import SECOND_US, to_text
from pagereeve.engine.badges.watcher import BadgeWatcher
from pagereeve.engine.counters import EngineCounters
from pagereeve.engine.intake.badge_hashing import BadgeHasher
from pagereeve.engine.intake.intake import EventIntake
from pagereeve.engine.printers.context import WatcherContext
from pagereeve.engine.printers.polling import PollPolicy
from pagereeve.engine.printers.registry import PrinterRegistry, RegisteredPrinter
from pagereeve.engine.printers.watcher import PrinterWatcher
from pagereeve.engine.supervision.supervisor import Supervisor
from pagereeve.ports.clock import Clock
from pagereeve.ports.intake import Accepted, Envelope
from pagereeve.ports.meter import MeterTarget
from pagereeve.store.memory.journal import MemoryJournal
from tests.unit.engine.virtual import SeededEntropy, VirtualClock

POLICY = Policy(settle_us=10 * SECOND_US, unmoved_us=60 * SECOND_US)
SERVER = "urn:invented:server"
KEY = b"an invented key of 32 octets ...."


@dataclass
class FakePrinter:
    """``due`` are (monotonic second, pages) still to land; a silent one answers nothing; a ``state`` given sticks."""

    value: int = 1000
    due: list[tuple[float, int]] = field(default_factory=list)
    silent: bool = False
    errors: tuple[str, ...] = ()
    latency_s: float = 0.05
    state: PrinterState | None = None
    unit: Unit = Unit.IMPRESSIONS

    def print(self, now_s: float, pages: int, *, first_s: float = 2.0, page_s: float = 0.5) -> None:
        self.due += [(now_s + first_s + page_s * nth, 1) for nth in range(pages)]

    def sight(self, now_s: float) -> Sight:
        if not self.errors:
            self.value += sum(pages for at_s, pages in self.due if at_s <= now_s)
            self.due = [one for one in self.due if one[0] > now_s]
        state = PrinterState.PRINTING if self.due and not self.errors else PrinterState.IDLE
        state = self.state or state
        return Sight((("total", Count(self.value, self.unit)),), "K1", "1.3.6.1.4.1.99999.1", state, self.errors)


@dataclass
class FakeMeter:
    """``sent_s`` are the times of the requests to each printer. Two at once to one printer fail the test."""

    clock: Clock
    printers: dict[str, FakePrinter]
    sent_s: dict[str, list[float]] = field(default_factory=dict)
    reading: set[str] = field(default_factory=set)
    overlaps: int = 0
    broken: int = 0

    async def read(self, target: MeterTarget, timeout_s: float) -> Reading | Failure:
        if self.broken:
            self.broken -= 1
            raise RuntimeError("an invented fault of the meter")
        printer = self.printers[target.printer]
        self.overlaps += target.printer in self.reading
        self.reading.add(target.printer)
        self.sent_s.setdefault(target.printer, []).append(self.clock.monotonic_us() / SECOND_US)
        sent_us = self.clock.now_us()
        try:
            await asyncio.sleep(timeout_s if printer.silent else printer.latency_s)
        finally:
            self.reading.discard(target.printer)
        if printer.silent:
            return Failure(sent_us, self.clock.now_us(), SilenceReason.TIMEOUT)
        now_us = self.clock.monotonic_us()
        return Reading(sent_us, self.clock.now_us(), printer.sight(now_us / SECOND_US), now_us // 10_000 + 9_000_000)


@dataclass
class World:
    """``gateways`` says which printers stand behind which box; ``pressed``: polls that can wait are put off. Use as a
    context: the registry runs inside.
    """

    printers: dict[str, FakePrinter] = field(default_factory=lambda: {"p": FakePrinter()})
    gateways: dict[str, str] = field(default_factory=dict)
    policy: Policy = POLICY
    poll_policy: PollPolicy = field(default_factory=PollPolicy)
    store: MemoryJournal = field(default_factory=MemoryJournal)
    first_spread_s: float = 0.0
    keep_titles: bool = False
    clock: Clock = field(default_factory=VirtualClock)
    counters: EngineCounters = field(default_factory=EngineCounters)
    troubles: list[tuple[str, str]] = field(default_factory=list)
    ids: Counter[str] = field(default_factory=Counter)
    pressed: bool = False
    watches: Callable[[str], bool] = lambda _: True

    def __post_init__(self) -> None:
        self.meter = FakeMeter(self.clock, self.printers)
        self.around = WatcherContext(
            store=self.store,
            meter=self.meter,
            clock=self.clock,
            entropy=SeededEntropy(),
            poll_policy=self.poll_policy,
            counters=self.counters,
            first_spread_s=self.first_spread_s,
            pressed=lambda: self.pressed,
        )

    async def __aenter__(self) -> Self:
        self.supervisor = Supervisor(self.clock, lambda name, error: self.troubles.append((name, repr(error))))
        registered = {
            name: RegisteredPrinter(MeterTarget(name, "192.0.2.1"), self.policy, self.gateways.get(name, ""))
            for name in self.printers
        }
        self.registry = PrinterRegistry(self.around, self.supervisor, registered, self.watches)
        self.registry.start(written=await self.store.printers())
        self.badges = BadgeHasher(KEY)
        self.badge_watcher = BadgeWatcher(self.store, self.clock)
        self.intake = EventIntake(
            self.store,
            self.registry,
            self.clock,
            self.counters,
            self.badges,
            self.badge_watcher,
            keep_titles=self.keep_titles,
        )
        await self.intake.route_waiting_ends()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.supervisor.stop()

    async def passes(self, seconds: float) -> None:
        await asyncio.sleep(seconds)

    @property
    def now_s(self) -> float:
        return self.clock.monotonic_us() / SECOND_US

    def watcher(self, printer: str = "p") -> PrinterWatcher:
        return self.registry.watchers[printer]

    async def send(
        self,
        kind: str,
        data: dict[str, Any],
        *,
        event: str = "",
        wait_s: float | None = None,
        rest: bool = False,
        late_s: float = 0,
    ) -> Accepted:
        self.ids[kind] += 1
        time = to_text(self.clock.now_us() - round(late_s * SECOND_US))
        envelope = Envelope(SERVER, event or f"{kind}-{self.ids[kind]}", kind, time, data)
        return await self.intake.take(envelope, feed="http", wait_s=wait_s, rest=rest)

    async def start(
        self, release: str, pages: int = 3, printer: str = "p", *, wait_s: float | None = None, **more: Any
    ) -> Accepted:
        ticket = {"pages": pages, "copies": 1, "sides": "one-sided", "number_up": 1, "separator_sheets": 0}
        data = {"release": release, "job": f"job-{release}", "owner": f"owner-{release}", "printer": printer}
        sent = {name: more.pop(name) for name in ("event", "late_s", "rest") if name in more}
        ticket |= more.pop("ticket", {})
        return await self.send(RELEASE_STARTED, data | {"ticket": ticket} | more, wait_s=wait_s, **sent)

    async def end(self, release: str, outcome: str = "completed", **more: Any) -> Accepted:
        return await self.send(RELEASE_ENDED, {"release": release, "outcome": outcome}, **more)

    async def badge(self, badge: str, gateway: str, **more: Any) -> Accepted:
        return await self.send(BADGE_PRESENTED, {"badge": badge, "gateway": gateway}, **more)

    async def release(self, release: str, pages: int = 3, printer: str = "p") -> None:
        """The whole of a release: notice, paper, end notice, and time enough to settle."""
        await self.start(release, pages, printer)
        self.printers[printer].print(self.now_s, pages)
        await self.passes(2)
        await self.end(release)
        await self.passes(2 + 0.5 * pages + 25)

    async def facts(self, printer: str = "p") -> list[Fact]:
        return [stored.fact async for stored in self.store.facts(printer)]

    async def ledger(self, printer: str = "p") -> Ledger:
        """What is stored, which must be what a replay of the stored facts says."""
        stored = Ledger.of(await self.store.segments(printer))
        run = await self.store.open_run(printer)
        assert replay(printer, await self.facts(printer), None if run is None else run.fact) == stored
        return stored

    def sent_s(self, printer: str = "p") -> Sequence[float]:
        return self.meter.sent_s.get(printer, [])
