"""What the feeds count. Another part exports it: the labels (feed, outcome, reason) are closed sets."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Literal, get_args

from pagereeve.domain.credentials.book import FAILURES, Failure
from pagereeve.feeds.refusals import Reason
from pagereeve.ports.intake import OUTCOMES, Outcome
from pagereeve.ports.telemetry import FeedTelemetry

ConnectionReason = Literal[
    "full", "peer-full", "peer-rate", "displaced", "handshake", "silent", "slow-reader", "no-descriptors"
]


@dataclass(slots=True)
class FeedStats:
    """The counters of one feed. All only grow, except ``connections_open``, ``requests_open``, ``relay_up``.

    events               what was accepted, by outcome (stored, duplicate, conflict, quarantined)
    refused              what was not, by reason
    attempts_failed      requests of nobody that is known, by reason; None where the feed asks nobody
    unkept               refusals that the intake could not keep aside
    connections_refused  what was not let in, or was ended, by reason: full; peer-full, peer-rate (too many, or too many
                         new ones, from one address); displaced (a silent one, by a newcomer); handshake (TLS failed, or
                         took too long); silent (said nothing in time); slow-reader (left its answer unread);
                         no-descriptors (an accept failed)
    answer_us            time spent on answered requests, in all; ``answers`` is how many
    blank_lines          empty lines, which some gateways send to keep a connection alive
    requests_max         how many may be open at once, and ``connections_max``; 0 where the feed has no such limit
    lost_lines           badge lines that were read but not accepted before a time-out or a stop, or that found no room
                         in a relay while the daemon was away
    forwarded_bytes      bytes that a relay passed on to the release server
    returned_bytes       bytes that a relay passed back to gateways
    unreachable          connections of a relay whose release server could not be reached
    broken               connections of a relay that ended in a reset or a time-out
    relay_up             whether a relay hands us its lines; None where the feed has none
    """

    events: Counter[Outcome] = field(default_factory=Counter)
    refused: Counter[Reason] = field(default_factory=Counter)
    attempts_failed: Counter[Failure] | None = None
    unkept: int = 0
    bytes_in: int = 0
    requests_open: int = 0
    requests_max: int = 0
    connections_max: int = 0
    answers: int = 0
    answer_us: int = 0
    clients_gone: int = 0
    connections: int = 0
    connections_open: int = 0
    connections_refused: Counter[ConnectionReason] = field(default_factory=Counter)
    blank_lines: int = 0
    lost_lines: int = 0
    forwarded_bytes: int = 0
    returned_bytes: int = 0
    unreachable: int = 0
    broken: int = 0
    relay_up: bool | None = None

    def telemetry(self) -> FeedTelemetry:
        failed = self.attempts_failed
        return FeedTelemetry(
            events={outcome: self.events[outcome] for outcome in OUTCOMES},
            refused={reason: self.refused[reason] for reason in get_args(Reason)},
            attempts_failed={} if failed is None else {reason: failed[reason] for reason in FAILURES},
            connections_open=self.connections_open,
            connections_refused={reason: self.connections_refused[reason] for reason in get_args(ConnectionReason)},
            connections_max=self.connections_max,
            requests_open=self.requests_open,
            requests_max=self.requests_max,
            lost_lines=self.lost_lines,
            relay_up=self.relay_up,
            relay_broken=self.broken + self.unreachable,
        )
