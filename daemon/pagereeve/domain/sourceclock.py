"""When did an event happen? A source's claim, corrected by what its clock has shown (DESIGN.md 3.1)."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from pagereeve.domain.facts import ClockMark
from pagereeve.domain.instants import SECOND_US

# 2000-01-01: no gateway with this feed existed, so an earlier time is a clock that lost its battery.
PLAUSIBLE_FROM_US = 946_684_800 * SECOND_US
PAST_MAX_US = 400 * 86_400 * SECOND_US
FUTURE_MAX_US = 120 * SECOND_US
# Delays this small are the network, not the clock.
TRANSPORT_US = 1 * SECOND_US
CORRECT_FROM_US = 3 * SECOND_US
CORRECT_MAX_US = 120 * SECOND_US
DELAYS_MIN = 8
DELAYS_MAX = 64


@dataclass(slots=True)
class SourceClock:
    """The latest delays (received - occurred) of one source. The smallest of them bounds the offset of its clock.

    One stalled batch must not move the estimate (FIELD-CASES.md 5.9, PostHog/posthog-js#3808), and a backlog of old
    events is late, not badly timed (5.10, opslane/opslane#62): only a small offset that every delay shows is corrected.
    """

    delays_us: deque[int] = field(default_factory=lambda: deque(maxlen=DELAYS_MAX))

    def judge(self, occurred_us: int | None, received_us: int) -> tuple[int, ClockMark]:
        """The instant to use for an event, and why it differs from the claim."""
        if occurred_us is None:
            return received_us, "missing"
        if occurred_us < PLAUSIBLE_FROM_US or received_us - occurred_us > PAST_MAX_US:
            return received_us, "implausible-past"
        if occurred_us - received_us > FUTURE_MAX_US:
            return received_us, "future"
        self.delays_us.append(received_us - occurred_us)
        least_us = min(self.delays_us)
        if least_us < 0:
            at_us = min(occurred_us + least_us, received_us)
            return at_us, "corrected" if -least_us >= TRANSPORT_US else ""
        behind = len(self.delays_us) >= DELAYS_MIN and CORRECT_FROM_US <= least_us <= CORRECT_MAX_US
        if behind:
            return occurred_us + least_us - TRANSPORT_US, "corrected"
        return occurred_us, ""
