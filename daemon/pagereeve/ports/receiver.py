"""Where alerts are sent: a receiver accepts one message at a time; its return means that it has it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from pagereeve.domain.alerts.message import Notification
from pagereeve.domain.values.errors import PagereeveError


class NotDelivered(PagereeveError):
    """The receiver didn't take a message; the text says why, without any secret.

    ``of_message`` True: it is there, but refused this message (another one may go through). False: it can't be
    reached, or takes nothing at present.
    """

    def __init__(self, text: str, *, of_message: bool = False) -> None:
        super().__init__(text)
        self.of_message = of_message


class ReceiverGone(NotDelivered):
    """It wants nothing more from us: nothing is sent to it until somebody looked into it."""


class Receiver(Protocol):
    """``name`` is unique among receivers. ``refresh_s`` is None where messages are events that are sent once.

    Where it is a number, the receiver holds states that expire: the caller sends all open alerts, and those
    that have been over for less than five minutes, to ``refresh`` that often.
    """

    @property
    def name(self) -> str: ...

    @property
    def refresh_s(self) -> float | None: ...

    async def deliver(self, notification: Notification) -> None:
        """Returns once the receiver has accepted it. May be called again with the same message. Raises NotDelivered.

        It is bounded in time by the caller.
        """
        ...

    async def refresh(self, standing: Sequence[Notification], now_us: int) -> None:
        """The latest message of each alert. Raises NotDelivered."""
        ...

    async def close(self) -> None: ...
