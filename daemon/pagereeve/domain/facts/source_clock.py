"""When did an event happen? A source's claim, corrected by what its clock has shown."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from pagereeve.domain.facts.facts import ClockMark
from pagereeve.domain.values.instants import SECOND_US

# 2000-01-01: no gateway with this feed existed, so an earlier time is a clock that lost its battery.
PLAUSIBLE_FROM_US = 946_684_800 * SECOND_US
# Our choice, as are all limits here: more than a year.
PAST_MAX_US = 400 * 86_400 * SECOND_US
# That events come from the future: datalust/seq-tickets#1570; 2 min is our choice.
FUTURE_MAX_US = 120 * SECOND_US
# Delays this small are the network, not the clock.
TRANSPORT_US = 1 * SECOND_US
# That a stalled batch shifts events by 10 to 30 s: PostHog/posthog-js#3808; from when to correct is our choice.
CORRECT_FROM_US = 3 * SECOND_US
CORRECT_MAX_US = 120 * SECOND_US
DELAYS_MIN = 8
DELAYS_MAX = 64
# A clock that is behind shows the same delay in every notice, for a while; a backlog's delays differ as its events do.
ALIKE_US = 3 * SECOND_US
LASTED_US = 600 * SECOND_US


@dataclass(slots=True)
class SourceClock:
    """The latest (delay, received) of one source. The smallest delay bounds the offset of its clock.

    One stalled batch must not move the estimate (PostHog/posthog-js#3808), and a backlog of old
    events is late, not badly timed (opslane/opslane#62): only an offset that every delay shows is corrected.
    """

    delays: deque[tuple[int, int]] = field(default_factory=lambda: deque(maxlen=DELAYS_MAX))

    def judge(self, occurred_us: int | None, received_us: int) -> tuple[int, ClockMark]:
        """The instant to use for an event, and why it differs from the claim."""
        if occurred_us is None:
            return received_us, "missing"
        if occurred_us < PLAUSIBLE_FROM_US or received_us - occurred_us > PAST_MAX_US:
            return received_us, "implausible-past"
        if occurred_us - received_us > FUTURE_MAX_US:
            return received_us, "future"
        self.delays.append((received_us - occurred_us, received_us))
        return self._corrected(occurred_us, received_us)

    def _corrected(self, occurred_us: int, received_us: int) -> tuple[int, ClockMark]:
        least_us = min(delay_us for delay_us, _ in self.delays)
        if least_us < 0:
            at_us = min(occurred_us + least_us, received_us)
            return at_us, "corrected" if -least_us >= TRANSPORT_US else ""
        far = least_us > CORRECT_MAX_US
        if len(self.delays) < DELAYS_MIN or least_us < CORRECT_FROM_US or (far and not self._is_offset(least_us)):
            return occurred_us, ""
        return occurred_us + least_us - TRANSPORT_US, "behind" if far else "corrected"

    def _is_offset(self, least_us: int) -> bool:
        alike = max(delay_us for delay_us, _ in self.delays) - least_us <= ALIKE_US
        arrivals = [received_us for _, received_us in self.delays]
        return alike and max(arrivals) - min(arrivals) >= LASTED_US
