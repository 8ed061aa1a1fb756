"""Brings one receiver its messages: at least once, each alert's in order, and with patience while it is away."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

from pagereeve.domain.alerts.message import Notification
from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.alerts.retirements import Retirements
from pagereeve.engine.supervision.heartbeat import STORE_LONGEST_S, Heartbeat
from pagereeve.ports.clock import Clock
from pagereeve.ports.entropy import Entropy
from pagereeve.ports.outbox import MessageQueues, Queue, QueueRemoval
from pagereeve.ports.receiver import NotDelivered, Receiver, ReceiverGone
from pagereeve.ports.telemetry import ReceiverTelemetry

Outcome = Literal["delivered", "failed", "refused", "dropped"]
OUTCOMES: Final[tuple[Outcome, ...]] = ("delivered", "failed", "refused", "dropped")

BATCH_MAX = 200
LOOK_EVERY_S = 1.0
# Receivers keep to their own time-outs, of five minutes at the longest: this is for one that does not.
DELIVER_WITHIN_S = 330.0
PAUSE_FIRST_S = 1.0
PAUSE_LONGEST_S = 300.0
# A message that its receiver did not accept for so long is given up, counted and logged.
KEEP_US = 14 * 86_400 * SECOND_US
# The resolved form is repeated for so long (Prometheus documentation, alerts API).
RESOLVED_US = 300 * SECOND_US

Report = Callable[[str, str, str], None]
"""(receiver, what, why): called when a receiver starts and stops accepting messages, or refuses one."""


@dataclass(slots=True)
class Pause:
    """Doubling waits with a share of chance, so that many senders do not come at once."""

    until_us: int = 0
    next_s: float = PAUSE_FIRST_S

    def longer(self, now_us: int, jitter: float, longest_s: float = PAUSE_LONGEST_S) -> None:
        self.until_us = now_us + int(min(self.next_s * (0.75 + jitter / 2), longest_s) * SECOND_US)
        self.next_s = min(self.next_s * 2, PAUSE_LONGEST_S)


@dataclass(slots=True)
class DeliveryWorker:
    """``standing(over_us)`` gives the states that a receiver with ``refresh_s`` holds. ``queue`` is what waits.

    ``retirements``: a receiver that wants nothing more gets nothing; its queue waits, as while it is away.
    """

    receiver: Receiver
    store: MessageQueues
    clock: Clock
    entropy: Entropy
    standing: Callable[[int], Sequence[Notification]]
    retirements: Retirements | None = None
    report: Report = lambda _receiver, _what, _why: None
    heartbeat: Heartbeat = field(init=False)
    every_s: float = LOOK_EVERY_S
    counts: Counter[Outcome] = field(default_factory=Counter)
    queue: Queue = field(default_factory=Queue)
    _away: Pause = field(default_factory=Pause)
    _refused: dict[str, Pause] = field(default_factory=dict)
    _refreshed_us: int | None = None
    _gone: bool = False
    _awake: asyncio.Event = field(default_factory=asyncio.Event)

    def __post_init__(self) -> None:
        self.heartbeat = Heartbeat(self.clock)

    @property
    def name(self) -> str:
        return self.receiver.name

    def wake(self) -> None:
        """A message may wait."""
        self._awake.set()

    def dropped(self) -> None:
        """A message was not queued, as the queue had no room."""
        self.counts["dropped"] += 1

    def telemetry(self) -> ReceiverTelemetry:
        counts: dict[str, int] = {outcome: self.counts[outcome] for outcome in OUTCOMES}
        return ReceiverTelemetry(counts, self.queue.waiting, self.queue.oldest_us, self.queue.last_success_us)

    async def run(self) -> None:
        while True:
            self.heartbeat.does("looks what waits", STORE_LONGEST_S)
            await self.turn()
            self.heartbeat.succeeded()
            self.heartbeat.rests(self.every_s)
            try:
                async with asyncio.timeout(self.every_s):
                    await self._awake.wait()
            except TimeoutError:
                pass
            self._awake.clear()

    async def turn(self) -> None:
        """Deliver what waits, refresh open alerts, each when it is due."""
        self.queue = (await self.store.queues()).get(self.name, Queue())
        if self.retirements is not None and await self.retirements.is_retired(self.name):
            return
        self._gone = False
        if self.queue.waiting and self.clock.monotonic_us() >= self._away.until_us:
            await self._bring(await self.store.waiting(self.name, BATCH_MAX))
            self.queue = (await self.store.queues()).get(self.name, Queue())
        await self._refresh()

    async def _bring(self, messages: Sequence[Notification]) -> None:
        held: set[str] = set()
        for message in messages:
            if self.clock.now_us() - message.at_us > KEEP_US:
                await self._part(message, "dropped")
            elif message.alert not in held and not await self._deliver(message):
                # Its later messages must not overtake it.
                held.add(message.alert)
            if self.clock.monotonic_us() < self._away.until_us or self._gone:
                return

    async def _deliver(self, message: Notification) -> bool:
        refused = self._refused.get(message.alert)
        if refused is not None and self.clock.monotonic_us() < refused.until_us:
            return False
        self.heartbeat.does(f"brings {message.id}", DELIVER_WITHIN_S + STORE_LONGEST_S)
        try:
            async with asyncio.timeout(DELIVER_WITHIN_S):
                await self.receiver.deliver(message)
        except ReceiverGone as error:
            await self._retire(error)
            return False
        except NotDelivered as error:
            self._failed(message, error)
            return False
        except TimeoutError:
            self._failed(message, NotDelivered(f"no answer within {DELIVER_WITHIN_S:g} s"))
            return False
        await self._part(message, "delivered")
        return True

    def _failed(self, message: Notification, error: NotDelivered) -> None:
        now_us = self.clock.monotonic_us()
        if error.of_message:
            self.counts["refused"] += 1
            self._refused.setdefault(message.alert, Pause()).longer(now_us, self.entropy.jitter())
            self.report(self.name, f"refuses {message.id}", str(error))
        else:
            self._lost(error)

    def _lost(self, error: Exception) -> None:
        self.counts["failed"] += 1
        if self._away.until_us == 0:
            self.report(self.name, "takes nothing", str(error))
        # What holds states may have lost them when it is back (prometheus/alertmanager#77).
        longest_s = PAUSE_LONGEST_S if self.receiver.refresh_s is None else self.receiver.refresh_s
        self._away.longer(self.clock.monotonic_us(), self.entropy.jitter(), longest_s)

    async def _retire(self, error: ReceiverGone) -> None:
        self.counts["failed"] += 1
        self.report(self.name, "wants nothing more, and gets nothing until its finding is closed", str(error))
        self._gone = True
        if self.retirements is not None:
            await self.retirements.retire(self.name)

    async def _part(self, message: Notification, outcome: Outcome) -> None:
        at_us = self.clock.now_us() if outcome == "delivered" else None
        await self.store.part(QueueRemoval(self.name, [(message.alert, message.nth)], at_us))
        self.counts[outcome] += 1
        self._refused.pop(message.alert, None)
        if outcome == "delivered":
            self._reached()
        else:
            self.report(self.name, f"never accepted {message.id}", "it was given up")

    def _reached(self) -> None:
        if self._away.until_us:
            self.report(self.name, "takes messages again", "")
        self._away = Pause()

    async def _refresh(self) -> None:
        every_s = self.receiver.refresh_s
        now_us = self.clock.monotonic_us()
        if every_s is None or now_us < self._away.until_us:
            return
        if self._refreshed_us is not None and now_us - self._refreshed_us < every_s * SECOND_US:
            return
        self._refreshed_us = now_us
        self.heartbeat.does("refreshes open alerts", DELIVER_WITHIN_S + STORE_LONGEST_S)
        try:
            async with asyncio.timeout(DELIVER_WITHIN_S):
                await self.receiver.refresh(self.standing(RESOLVED_US), self.clock.now_us())
        except (NotDelivered, TimeoutError) as error:
            self._lost(error)
        else:
            self._reached()


async def retire(store: MessageQueues, known: Collection[str], report: Report) -> None:
    """Receivers that the settings no longer name are forgotten; messages for them are given up, and reported."""
    for name, queue in (await store.queues()).items():
        if name in known:
            continue
        while messages := await store.waiting(name, BATCH_MAX):
            await store.part(QueueRemoval(name, [(one.alert, one.nth) for one in messages]))
        await store.part(QueueRemoval(name, (), forget=True))
        if queue.waiting:
            given_up = amount(queue.waiting, "message was", "messages were")
            report(name, f"is no longer in the settings; {given_up} given up", "")
