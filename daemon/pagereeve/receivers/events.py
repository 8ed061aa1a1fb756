"""What receivers have in common for which a message is an event: sent once, and not kept here."""

from __future__ import annotations

from collections.abc import Sequence

from pagereeve.domain.alerts.message import Notification


class EventReceiver:
    """ports.notify.Receiver without ``deliver``."""

    def __init__(self, name: str) -> None:
        self._name = name

    @property
    def name(self) -> str:
        return self._name

    @property
    def refresh_s(self) -> None:
        return None

    async def refresh(self, standing: Sequence[Notification], now_us: int) -> None:
        """Nothing: an event is sent once."""

    async def close(self) -> None:
        """Nothing is held open between messages."""
