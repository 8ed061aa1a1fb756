"""What one sender may ask for, on a clock of ours."""

from __future__ import annotations

from typing import Any

import pytest

from pagereeve.feeds.http.answers import Receive, Scope, Send
from pagereeve.feeds.http.quotas import (
    DAY_S,
    PAGES_BURST,
    ROW_BYTES,
    QuotaLimits,
    SenderQuotas,
    paced_pages,
    sender_of,
)
from pagereeve.feeds.refusals import Refusal
from pagereeve.feeds.stats import FeedStats
from pagereeve.feeds.submission import Submission
from pagereeve.ports.intake import Accepted

LIMITS = QuotaLimits(requests_per_s=2.0, requests_burst=4.0, day_max_bytes=86_400.0)
STORED = Submission(Accepted("stored"))


class HeldClock:
    def __init__(self) -> None:
        self.at_s = 1_000.0

    def now_us(self) -> int:
        return self.monotonic_us()

    def monotonic_us(self) -> int:
        return round(self.at_s * 1_000_000)

    async def sleep(self, seconds: float) -> None:
        self.at_s += seconds


def refusal(
    quotas: SenderQuotas, sender: str = "credential 0", *, growth: bool = False
) -> tuple[str, int | None] | None:
    try:
        if growth:
            quotas.room(sender)
        else:
            quotas.request(sender)
    except Refusal as refused:
        return refused.reason, refused.retry_after_s
    return None


def test_requests_come_at_a_rate_for_each_sender() -> None:
    clock = HeldClock()
    quotas = SenderQuotas(LIMITS, clock)
    assert [refusal(quotas) for _ in range(5)] == [None] * 4 + [("too-many-requests", 1)]
    assert refusal(quotas, "credential 1") is None
    clock.at_s += 0.5
    assert [refusal(quotas) for _ in range(2)] == [None, ("too-many-requests", 1)]


def test_events_of_a_batch_cost_a_tenth_of_a_request_each() -> None:
    clock = HeldClock()
    quotas = SenderQuotas(LIMITS, clock)
    quotas.request("credential 0")
    quotas.charge("credential 0", 0, [STORED] * 101)
    assert refusal(quotas) == ("too-many-requests", 4)
    clock.at_s += 4.0
    assert refusal(quotas) is None


def test_what_was_stored_is_counted_and_the_day_gives_it_back() -> None:
    clock = HeldClock()
    quotas = SenderQuotas(LIMITS, clock)
    quotas.charge("credential 0", 86_400 - ROW_BYTES, [STORED])
    assert refusal(quotas, growth=True) == ("over-quota", 1)
    assert refusal(quotas, "credential 1", growth=True) is None
    quotas.charge("credential 0", 100_000, [STORED])
    assert refusal(quotas, growth=True) == ("over-quota", 100_000 + ROW_BYTES + 1)
    clock.at_s += 2 * DAY_S
    assert refusal(quotas, growth=True) is None


@pytest.mark.parametrize(
    "taken",
    [
        [Submission(Accepted("duplicate"))],
        [Submission(refusal=Refusal("bad-member", "data", "is wrong"))],
        [],
    ],
)
def test_what_the_journal_does_not_gain_costs_nothing(taken: list[Submission]) -> None:
    quotas = SenderQuotas(LIMITS, HeldClock())
    quotas.charge("credential 0", 10**9, taken)
    assert refusal(quotas, growth=True) is None


def test_a_sender_is_its_credential_or_its_peer() -> None:
    scope: Scope = {"client": ("2001:db8::7", 4_000)}
    assert sender_of("2", scope) == "credential 2"
    assert sender_of("", scope) == "peer 2001:db8::/64"
    assert sender_of("", {"client": None}) == "peer "


async def test_pages_come_at_a_pace_for_each_peer() -> None:
    stats = FeedStats()
    statuses: list[int] = []

    async def pages(scope: Scope, receive: Receive, send: Send) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})

    async def send(message: Any) -> None:
        if message["type"] == "http.response.start":
            statuses.append(message["status"])

    async def receive() -> Any:
        raise AssertionError("no page reads a body")

    paced = paced_pages(pages, stats, HeldClock())
    for _ in range(int(PAGES_BURST) + 3):
        await paced({"type": "http", "client": ("192.0.2.1", 1)}, receive, send)
    await paced({"type": "http", "client": ("192.0.2.2", 1)}, receive, send)
    assert statuses == [200] * int(PAGES_BURST) + [429] * 3 + [200]
    assert stats.refused == {"too-many-requests": 3}
