"""Invented messages about alerts, and a clock that stands where it is put."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import Any

from pagereeve.domain.alerts.message import Notification
from pagereeve.domain.values.instants import SECOND_US, from_text

SINCE_US = from_text("2026-11-25T09:00:00Z")
AT_US = from_text("2026-11-25T09:02:00Z")


def notice(**changes: Any) -> Notification:
    members: dict[str, Any] = {
        "alert": "a-5f0c9d7e21b4",
        "nth": 1,
        "step": "opened",
        "kind": "meter-silent",
        "severity": "critical",
        "subject": "library-1",
        "printer": "library-1",
        "gateway": "library-gw",
        "since_us": SINCE_US,
        "at_us": AT_US,
        "until_us": None,
        "title": "The meter of library-1 does not answer",
        "what": "library-1 has not answered since 09:00, and two releases needed its count.",
        "cost": "The pages of two releases can't be proved.",
        "evidence": ("09:00:05 to 09:00:08: 1 read failed (timeout)", "09:01:05: no answer"),
        "first": "See whether the printer is on and its network cable is in.",
        "command": "pagereeve findings show f-0a1b2c3d4e5f",
        "findings": 2,
        "pages": 14,
    }
    return Notification(**(members | changes))


def over(**changes: Any) -> Notification:
    later = {"nth": 3, "step": "resolved", "at_us": AT_US + 600 * SECOND_US, "until_us": AT_US + 60 * SECOND_US}
    return notice(**(later | changes))


@dataclass
class StandingClock:
    """ports.clock.Clock that moves only when a test moves it; sleeping is real."""

    at_us: int = AT_US

    def now_us(self) -> int:
        return self.at_us

    def monotonic_us(self) -> int:
        return self.at_us

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)
