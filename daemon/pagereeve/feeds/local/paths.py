"""What is asked at the local socket, by path."""

from __future__ import annotations

from typing import Final

EVENTS: Final = "/v1/events"
CLOCK_AGREEMENT: Final = "/v1/clock/agreement"
CLOSED_PERIODS: Final = "/v1/periods/closed"
PEOPLE: Final = "/v1/people"
READY: Final = "/readyz"
# They answer anybody; whoever may not read gets a status alone.
HEALTH: Final = frozenset({"/healthz", READY})
