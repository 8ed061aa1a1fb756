"""Messages to the service manager: sd_notify(3), one datagram for each message, without a library."""

from __future__ import annotations

import socket
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Self

MICROSECONDS = 1_000_000


@dataclass(frozen=True, slots=True)
class ServiceManager:
    """``address`` is empty where nobody listens; ``watchdog_s`` is None where nobody waits for pings."""

    address: str = ""
    watchdog_s: float | None = None

    @classmethod
    def of(cls, environment: Mapping[str, str], pid: int) -> Self:
        """From NOTIFY_SOCKET, and WATCHDOG_USEC unless WATCHDOG_PID names another process (sd_watchdog_enabled(3))."""
        interval = environment.get("WATCHDOG_USEC", "")
        meant = environment.get("WATCHDOG_PID", str(pid)) == str(pid)
        watched = meant and interval.isascii() and interval.isdecimal() and int(interval) > 0
        return cls(environment.get("NOTIFY_SOCKET", ""), int(interval) / MICROSECONDS if watched else None)

    def tell(self, *assignments: str) -> None:
        """One message, as ``READY=1``. Never waits. Raises OSError where it could not be handed over."""
        if not self.address:
            return
        # "@" means the zero byte of an abstract address (unix(7)).
        address = "\0" + self.address[1:] if self.address.startswith("@") else self.address
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC | socket.SOCK_NONBLOCK) as sender:
            sender.sendto("\n".join(assignments).encode(), address)
