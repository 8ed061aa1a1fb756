"""The parts that send alerts: dispatcher and delivery workers, put together from settings and run beside the
watchers.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import structlog

from pagereeve.app.receivers import targets_of
from pagereeve.domain.alerts.alert import AlertPolicy, SiteLayout
from pagereeve.domain.alerts.message import Notification
from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.facts.in_force import MAINTENANCE_LONGEST_US
from pagereeve.domain.ledger import Severity
from pagereeve.engine.alerts.delivery import DeliveryWorker, retire
from pagereeve.engine.alerts.dispatcher import AlertDispatcher
from pagereeve.engine.alerts.maintenance import MaintenanceMarks
from pagereeve.engine.alerts.retirements import Retirements
from pagereeve.engine.printers.registry import PrinterRegistry
from pagereeve.engine.supervision.supervisor import Supervisor
from pagereeve.ports.clock import Clock
from pagereeve.ports.entropy import Entropy
from pagereeve.ports.outbox import MessageQueues
from pagereeve.ports.receiver import Receiver
from pagereeve.ports.store import Store
from pagereeve.ports.telemetry import ReceiverTelemetry
from pagereeve.settings import Settings

log = structlog.get_logger("pagereeve.alerts")


@dataclass(slots=True)
class Alerting:
    queues: MessageQueues
    dispatcher: AlertDispatcher
    workers: dict[str, DeliveryWorker]
    registry: PrinterRegistry
    make_worker: Callable[[Receiver, Severity], DeliveryWorker]
    retirements: Retirements
    maintenance: MaintenanceMarks
    figures: dict[str, Callable[[], ReceiverTelemetry]] = field(default_factory=dict)
    _supervisor: Supervisor | None = None

    @classmethod
    def of(
        cls,
        settings: Settings,
        receivers: Sequence[tuple[Receiver, Severity]],
        registry: PrinterRegistry,
        store: Store,
        clock: Clock,
        entropy: Entropy,
        accept: Callable[[Fact], None],
    ) -> Alerting:
        """``accept`` hears of each fact that says what became of a receiver, once it is durable."""
        maintenance = MaintenanceMarks(store, clock)
        around = _around(settings, registry, maintenance)
        dispatcher = AlertDispatcher(store, clock, _least_of(receivers), _policy_of(settings), around)
        dispatcher.once, dispatcher.refresh = _once(receivers), maintenance.refresh
        retirements = Retirements(store, clock, targets_of(settings.alerts), accept)

        def make_worker(one: Receiver, least: Severity) -> DeliveryWorker:
            standing = _standing(dispatcher, least)
            return DeliveryWorker(one, store, clock, entropy, standing, retirements, report=_tell)

        workers = {one.name: make_worker(one, least) for one, least in receivers}
        whole = cls(store, dispatcher, workers, registry, make_worker, retirements, maintenance)
        whole.figures.update({name: worker.telemetry for name, worker in workers.items()})
        dispatcher.waiting_of = lambda name: workers[name].queue.waiting
        dispatcher.on_dropped = whole._drop
        dispatcher.on_told = whole._wake
        return whole

    async def start(self, supervisor: Supervisor) -> None:
        """Also anew after ``pause``: what others did meanwhile stands in the journal."""
        self._supervisor = supervisor
        await retire(self.queues, self.workers, _tell)
        await self.retirements.open()
        supervisor.start("alerts", "alerts", self.dispatcher.run, heartbeat=self.dispatcher.heartbeat, forever=True)
        for worker in self.workers.values():
            self._begin(worker)

    async def pause(self) -> None:
        """Another worker sends alerts now."""
        if self._supervisor is not None:
            await self._supervisor.end("alerts")
        for worker in self.workers.values():
            await self._end(worker.name)
        self._supervisor = None
        self.retirements.forget()

    async def change(self, settings: Settings, receivers: Sequence[tuple[Receiver, Severity]]) -> None:
        """From now on these receivers, rules and quiet times. A receiver of the same name keeps its queue and figures.

        A message under way may come twice, as it may whenever a delivery is cut off.
        """
        gone = set(self.workers) - {one.name for one, _ in receivers}
        self.dispatcher.policy = _policy_of(settings)
        self.dispatcher.around = _around(settings, self.registry, self.maintenance)
        self.dispatcher.receivers = {
            name: least for name, least in self.dispatcher.receivers.items() if name not in gone
        }
        for name in gone:
            await self._end(name)
            del self.figures[name]
            await self.workers.pop(name).receiver.close()
        for one, least in receivers:
            await self._end(one.name)
            before = self.workers.get(one.name)
            worker = self.make_worker(one, least)
            if before is not None:
                await before.receiver.close()
                worker.counts, worker.queue = before.counts, before.queue
            self.workers[one.name], self.figures[one.name] = worker, worker.telemetry
            self._begin(worker)
        if self._supervisor is not None:  # else they are another worker's, which may have other settings yet
            await retire(self.queues, self.workers, _tell)
        self.dispatcher.change(_least_of(receivers), _once(receivers))
        await self.retirements.change(targets_of(settings.alerts))

    def _begin(self, worker: DeliveryWorker) -> None:
        if self._supervisor is not None:
            work, heartbeat = worker.run, worker.heartbeat
            self._supervisor.start("deliveries", _task_of(worker.name), work, heartbeat=heartbeat, forever=True)

    async def _end(self, name: str) -> None:
        if self._supervisor is not None:
            await self._supervisor.end(_task_of(name))

    async def close(self) -> None:
        """After their tasks have ended."""
        for worker in self.workers.values():
            await worker.receiver.close()

    def _drop(self, receiver: str) -> None:
        self.workers[receiver].dropped()
        log.error("a message was dropped: too many wait", receiver=receiver)

    def _wake(self) -> None:
        for worker in self.workers.values():
            worker.wake()


def _task_of(receiver: str) -> str:
    return f"delivery to {receiver}"


def _least_of(receivers: Sequence[tuple[Receiver, Severity]]) -> dict[str, Severity]:
    return {one.name: least for one, least in receivers}


def _once(receivers: Sequence[tuple[Receiver, Severity]]) -> frozenset[str]:
    """Those that hold no states: what is open is not repeated to them."""
    return frozenset(one.name for one, _ in receivers if one.refresh_s is None)


def _policy_of(settings: Settings) -> AlertPolicy:
    alerts = settings.alerts
    return AlertPolicy(alerts.hold.us, alerts.hold_over.us, alerts.again_after.us)


def _standing(dispatcher: AlertDispatcher, least: Severity) -> Callable[[int], Sequence[Notification]]:
    return lambda over_us: dispatcher.standing(least, over_us)


def _around(settings: Settings, registry: PrinterRegistry, maintenance: MaintenanceMarks) -> SiteLayout:
    gateway_of = {printer.name: printer.gateway or "" for printer in settings.printers}
    behind = Counter(gateway for gateway in gateway_of.values() if gateway)

    def is_quiet(printer: str, gateway: str, at_us: int) -> bool:
        return _in_maintenance(registry, maintenance, printer, at_us) or any(
            one.covers(printer, gateway, at_us) for one in settings.alerts.quiet
        )

    return SiteLayout(gateway_of, behind, is_quiet, settings.site.zone)


def _in_maintenance(registry: PrinterRegistry, maintenance: MaintenanceMarks, printer: str, at_us: int) -> bool:
    """Whoever watches a printer here heard of its notes first."""
    watcher = registry.watchers.get(printer)
    if watcher is None or watcher.projector is None:
        return maintenance.holds(printer, at_us)
    begun_us = watcher.projector.rules.maintenance_since_us(at_us)
    return begun_us is not None and at_us - begun_us < MAINTENANCE_LONGEST_US


def _tell(receiver: str, what: str, why: str) -> None:
    log.warning("a receiver of alerts", receiver=receiver, what=what, why=why)
