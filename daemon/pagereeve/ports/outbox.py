"""Where alerts and the messages about them are kept until their receivers have them (at least once, in order)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from pagereeve.domain.alerts.alert import Alert
from pagereeve.domain.alerts.message import Notification

Kept = tuple[Alert, Notification | None]
"""An alert that is not forgotten yet, and its last message, once there was one."""


@dataclass(frozen=True, slots=True)
class Change:
    """The ``number``-th time that a finding was recorded, changed or dropped: look at it."""

    number: int
    finding: str


@dataclass(frozen=True, slots=True)
class Announcement:
    """What a look at some changes comes to, stored in one transaction.

    ``changes`` are then done; ``alerts`` are kept in place of what was known of them, each with its last message (None:
    not sent yet); ``forgotten`` are dropped by id; each receiver's ``messages`` wait for delivery.
    """

    changes: Sequence[int] = ()
    alerts: Sequence[Kept] = ()
    forgotten: Sequence[str] = ()
    messages: Sequence[tuple[str, Notification]] = ()


@dataclass(frozen=True, slots=True)
class Queue:
    """Messages that wait for one receiver, and when it accepted the last one (None: never)."""

    waiting: int = 0
    oldest_us: int | None = None
    last_success_us: int | None = None


@dataclass(frozen=True, slots=True)
class QueueRemoval:
    """Messages that leave the queue of a receiver: it has them (``at_us`` says since when), or they are given up.

    ``forget``: it is no receiver any more, and new should it come again; nothing is known of it then.
    """

    receiver: str
    messages: Sequence[tuple[str, int]]
    at_us: int | None = None
    forget: bool = False


class AlertJournal(Protocol):
    """Changes of findings get into it in the transaction that records them (ports.ledger.RowWrites.replace)."""

    async def changes(self, limit: int) -> Sequence[Change]:
        """The earliest changes that nobody has looked at."""
        ...

    async def alerts(self) -> Sequence[Kept]: ...

    async def announce(self, announcement: Announcement) -> None: ...


class QueueLook(Protocol):
    async def queues(self) -> Mapping[str, Queue]:
        """By receiver, of all that ever had a message and were not forgotten."""
        ...


class MessageQueues(QueueLook, Protocol):
    async def waiting(self, receiver: str, limit: int) -> Sequence[Notification]:
        """The receiver's earliest messages, each alert's in order."""
        ...

    async def part(self, removal: QueueRemoval) -> None: ...


class Outbox(AlertJournal, MessageQueues, Protocol):
    """What is to be reported, and what waits for whom."""
