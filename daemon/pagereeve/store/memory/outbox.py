"""The outbox in memory: ports.outbox.Outbox's reads."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pagereeve.domain.alerts.message import Notification
from pagereeve.ports.outbox import Announcement, Change, Kept, Queue, QueueRemoval


class MemoryOutbox:
    def __init__(self) -> None:
        self._numbered = 0
        self._changes: list[Change] = []
        self._alerts: dict[str, Kept] = {}
        self._messages: dict[tuple[str, str, int], Notification] = {}
        self._successes: dict[str, int] = {}

    def note_changes(self, findings: Sequence[str]) -> None:
        for finding in findings:
            self._numbered += 1
            self._changes.append(Change(self._numbered, finding))

    def post(self, entry: Announcement | QueueRemoval) -> None:
        if isinstance(entry, QueueRemoval):
            for alert, nth in entry.messages:
                self._messages.pop((entry.receiver, alert, nth), None)
            if entry.at_us is not None:
                self._successes[entry.receiver] = entry.at_us
            if entry.forget:
                self._successes.pop(entry.receiver, None)
            return
        done = set(entry.changes)
        self._changes = [one for one in self._changes if one.number not in done]
        for name in entry.forgotten:
            self._alerts.pop(name, None)
        self._alerts |= {alert.id: (alert, last) for alert, last in entry.alerts}
        self._messages |= {(receiver, one.alert, one.nth): one for receiver, one in entry.messages}

    async def changes(self, limit: int) -> Sequence[Change]:
        return self._changes[:limit]

    async def alerts(self) -> Sequence[Kept]:
        return [self._alerts[name] for name in sorted(self._alerts)]

    async def waiting(self, receiver: str, limit: int) -> Sequence[Notification]:
        mine = [one for (name, _, _), one in self._messages.items() if name == receiver]
        return sorted(mine, key=lambda one: (one.at_us, one.alert, one.nth))[:limit]

    async def queues(self) -> Mapping[str, Queue]:
        names = {*self._successes, *(name for name, _, _ in self._messages)}
        return {name: self._queue(name) for name in sorted(names)}

    def _queue(self, name: str) -> Queue:
        times = [one.at_us for (receiver, _, _), one in self._messages.items() if receiver == name]
        return Queue(len(times), min(times, default=None), self._successes.get(name))
