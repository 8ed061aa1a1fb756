"""What one sender may ask for: requests a second, and bytes that the journal gains in a day.

A sender is a credential, wherever it comes from; who shows none, or a wrong one, is the peer (feeds/admission.py).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.values.instants import SECOND_US
from pagereeve.feeds.admission import peer_of
from pagereeve.feeds.buckets import Buckets
from pagereeve.feeds.http.answers import CLOSE, AsgiApp, Receive, Scope, Send, refusal_answer, send_answer
from pagereeve.feeds.refusals import Refusal
from pagereeve.feeds.stats import FeedStats
from pagereeve.feeds.submission import Submission
from pagereeve.ports.clock import Clock

DAY_S: Final = 86_400.0
# An event of a batch costs a tenth of a request: head, connection and commit are shared.
EVENTS_A_REQUEST: Final = 10
# A request whose signature was wrong costs one more for each so many bytes that were hashed to find that out.
HASHED_BYTES_A_REQUEST: Final = 65_536
# What the journal adds to an event's own bytes: its row, its indexes, its hash.
ROW_BYTES: Final = 512
# Pages for machines (metrics, health), for each peer; a scrape comes once in seconds.
PAGES_PER_S: Final = 50.0
PAGES_BURST: Final = 500.0


@dataclass(frozen=True, slots=True)
class QuotaLimits:
    """``requests_per_s`` after a burst of ``requests_burst``; ``day_max_bytes`` of events newly stored."""

    requests_per_s: float = 300.0
    requests_burst: float = 1_000.0
    day_max_bytes: float = 2.0**30


class SenderQuotas:
    """Kept in memory: a restart fills the buckets again."""

    def __init__(self, limits: QuotaLimits, clock: Clock) -> None:
        self._limits = limits
        self._requests = Buckets(limits.requests_per_s, limits.requests_burst)
        self._growth = Buckets(limits.day_max_bytes / DAY_S, limits.day_max_bytes)
        self._clock = clock

    def request(self, sender: str) -> None:
        """Count a request. Raises Refusal (``too-many-requests``)."""
        wait_s = self._requests.take(sender, self._now_s())
        if wait_s:
            problem = f"more than {self._limits.requests_per_s:g} a second; send it again later"
            raise Refusal("too-many-requests", "request", problem, retry_after_s=math.ceil(wait_s))

    def room(self, sender: str) -> None:
        """Raises Refusal (``over-quota``) for one that has stored as much as a day may hold."""
        wait_s = self._growth.wait_s(sender, self._now_s())
        if wait_s:
            problem = f"has stored {self._limits.day_max_bytes:.0f} bytes within a day; send it again later"
            raise Refusal("over-quota", "sender", problem, retry_after_s=math.ceil(wait_s))

    def failed(self, sender: str, hashed_bytes: int) -> None:
        """Count what a signature that is nobody's cost."""
        self._requests.charge(sender, self._now_s(), hashed_bytes / HASHED_BYTES_A_REQUEST)

    def charge(self, sender: str, size_bytes: int, taken: Sequence[Submission]) -> None:
        """Count what came of a body of ``size_bytes`` with one event or many. What was stored before costs nothing."""
        now_s = self._now_s()
        if len(taken) > 1:
            self._requests.charge(sender, now_s, (len(taken) - 1) / EVENTS_A_REQUEST)
        new = sum(one.accepted is not None and one.accepted.outcome != "duplicate" for one in taken)
        if new:
            self._growth.charge(sender, now_s, new * (size_bytes / len(taken) + ROW_BYTES))

    def stored(self, sender: str, size_bytes: float) -> None:
        """Count what the journal gained otherwise."""
        self._growth.charge(sender, self._now_s(), size_bytes)

    def _now_s(self) -> float:
        return self._clock.monotonic_us() / SECOND_US


def sender_of(credential: str, scope: Scope) -> str:
    """``credential`` is its name, "" where none was shown that is known."""
    return f"credential {credential}" if credential else f"peer {peer_of_scope(scope)}"


def peer_of_scope(scope: Scope) -> str:
    client = scope.get("client")
    return peer_of(client[0]) if client else ""


def paced_pages(pages: AsgiApp, stats: FeedStats, clock: Clock) -> AsgiApp:
    """The pages, each peer at its pace; what comes faster gets 429 and its connection closed."""
    buckets = Buckets(PAGES_PER_S, PAGES_BURST)

    async def paced(scope: Scope, receive: Receive, send: Send) -> None:
        wait_s = buckets.take(peer_of_scope(scope), clock.monotonic_us() / SECOND_US)
        if not wait_s:
            await pages(scope, receive, send)
            return
        stats.refused["too-many-requests"] += 1
        problem = f"more than {PAGES_PER_S:g} a second; ask again later"
        refusal = Refusal("too-many-requests", "request", problem, retry_after_s=math.ceil(wait_s))
        await send_answer(refusal_answer(refusal, 1, CLOSE), send)

    return paced
