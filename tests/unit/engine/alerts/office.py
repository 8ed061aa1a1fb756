"""A dispatcher and a delivery worker among fakes, in virtual time."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from pagereeve.domain.alerts.alert import AlertPolicy, SiteLayout
from pagereeve.domain.alerts.message import Notification
from pagereeve.domain.findings.finding import Kind, make
from pagereeve.domain.ledger import Finding, RowSegment
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.alerts.delivery import DeliveryWorker
from pagereeve.engine.alerts.dispatcher import AlertDispatcher
from pagereeve.ports.receiver import NotDelivered, ReceiverGone
from pagereeve.store.memory.journal import MemoryJournal
from tests.findings import said
from tests.unit.engine.virtual import SeededEntropy, VirtualClock, passing

HOUR_S = 3_600
EVERY_S = 5.0
POLICY = AlertPolicy(hold_us=60 * SECOND_US, hold_over_us=300 * SECOND_US)


@dataclass
class FakeReceiver:
    """``away``: can't be reached; ``refuses``: alerts whose messages it refuses; ``hangs``: never answers;
    ``gone``: wants nothing more.
    """

    name: str = "desk"
    refresh_s: float | None = None
    away: bool = False
    hangs: bool = False
    gone: bool = False
    refuses: set[str] = field(default_factory=set)
    taken: list[Notification] = field(default_factory=list)
    refreshed: list[list[str]] = field(default_factory=list)
    tries: int = 0
    dies_after_taking: int = 0

    async def deliver(self, notification: Notification) -> None:
        self.tries += 1
        if self.hangs:
            await asyncio.sleep(1e6)
        if self.gone:
            raise ReceiverGone("it answered 410")
        if self.away:
            raise NotDelivered("nobody listens")
        if notification.alert in self.refuses:
            raise NotDelivered("no such field", of_message=True)
        self.taken.append(notification)
        if self.dies_after_taking:
            self.dies_after_taking -= 1
            raise RuntimeError("an invented death after the message went out")

    async def refresh(self, standing: Sequence[Notification], now_us: int) -> None:
        if self.away:
            raise NotDelivered("nobody listens")
        self.refreshed.append([one.id for one in standing])

    async def close(self) -> None: ...


@dataclass
class Office:
    """Findings of a few printers, a dispatcher, and one delivery worker."""

    receiver: FakeReceiver = field(default_factory=FakeReceiver)
    store: MemoryJournal = field(default_factory=MemoryJournal)
    clock: VirtualClock = field(default_factory=VirtualClock)
    around: SiteLayout = field(default_factory=SiteLayout)
    said: list[tuple[str, str, str]] = field(default_factory=list)
    findings: dict[str, dict[str, Finding]] = field(default_factory=dict)
    tasks: list[asyncio.Task[None]] = field(default_factory=list)

    def begin(self) -> None:
        self.dispatcher = AlertDispatcher(
            self.store, self.clock, {self.receiver.name: "warning"}, POLICY, self.around, EVERY_S
        )
        self.worker = DeliveryWorker(
            self.receiver,
            self.store,
            self.clock,
            SeededEntropy(),
            standing=lambda over_us: self.dispatcher.standing("warning", over_us),
            report=lambda *told: self.said.append(told),
            every_s=EVERY_S,
        )
        self.dispatcher.on_told = self.worker.wake
        self.dispatcher.waiting_of = lambda _: self.worker.queue.waiting
        self.tasks = [asyncio.create_task(self.dispatcher.run()), asyncio.create_task(self.worker.run())]

    async def die(self) -> None:
        for task in self.tasks:
            task.cancel()
        await asyncio.gather(*self.tasks, return_exceptions=True)

    async def record(self, *findings: Finding) -> None:
        for finding in findings:
            known = self.findings.setdefault(finding.printer, {})
            known[finding.id] = finding
            await self._store(finding.printer)

    async def drop(self, finding: Finding) -> None:
        del self.findings[finding.printer][finding.id]
        await self._store(finding.printer)

    async def _store(self, printer: str) -> None:
        found = tuple(self.findings[printer].values())
        await self.store.replace(printer, None, [RowSegment(printer, 0, None, findings=found)])

    def taken(self) -> list[tuple[str, str]]:
        return [(one.kind, one.step) for one in self.receiver.taken]


def a(kind: Kind = "surplus", printer: str = "p", number: int = 0) -> Finding:
    return make(kind, printer, (number,), 1_000_000 + number, said(f"text {number}"), [said("line")], pages=2)


def closed(finding: Finding) -> Finding:
    return replace(finding, state="closed", until_us=2_000_000)


def story(script: Callable[[Office], Coroutine[Any, Any, None]], office: Office | None = None) -> Office:
    office = office or Office()

    async def whole() -> None:
        office.begin()
        try:
            await script(office)
        finally:
            await office.die()

    passing(whole())
    return office
