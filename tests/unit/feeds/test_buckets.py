"""Token buckets: worked values."""

from __future__ import annotations

from pagereeve.feeds.buckets import Buckets


def test_a_burst_then_the_rate() -> None:
    buckets = Buckets(rate_per_s=2.0, burst=3.0)
    assert [buckets.take("a", 10.0) for _ in range(3)] == [0, 0, 0]
    assert buckets.take("a", 10.0) == 0.5
    assert buckets.take("a", 10.5) == 0
    assert buckets.take("a", 10.5) == 0.5
    assert buckets.take("b", 10.5) == 0


def test_what_rests_is_full_again_and_no_fuller() -> None:
    buckets = Buckets(rate_per_s=2.0, burst=3.0)
    buckets.take("a", 0.0, 3.0)
    assert buckets.held("a", 1.0) == 2.0
    assert buckets.held("a", 1_000.0) == 3.0


def test_a_debt_is_paid_before_anything_is_given() -> None:
    buckets = Buckets(rate_per_s=1.0, burst=10.0)
    buckets.charge("a", 0.0, 25.0)
    assert buckets.held("a", 0.0) == -15.0
    assert buckets.wait_s("a", 0.0) == 16.0
    assert buckets.take("a", 16.0) == 0


def test_a_cost_beyond_the_burst_waits_for_a_full_bucket_and_not_for_ever() -> None:
    buckets = Buckets(rate_per_s=1.0, burst=10.0)
    assert buckets.take("a", 0.0, 50.0) == 0
    assert buckets.wait_s("a", 0.0, 50.0) == 50.0


def test_many_keys_are_bounded_and_the_busiest_are_kept() -> None:
    buckets = Buckets(rate_per_s=1.0, burst=100.0, keys_max=10)
    buckets.charge("busy", 0.0, 100.0)
    for number in range(1_000):
        buckets.take(f"k{number}", number * 0.001)
        assert len(buckets) <= 10
    assert buckets.wait_s("busy", 1.0) == 0.0
    assert buckets.held("busy", 1.0) == 1.0


def test_full_buckets_are_forgotten_first() -> None:
    buckets = Buckets(rate_per_s=1.0, burst=5.0, keys_max=4)
    for key in "abcd":
        buckets.take(key, 0.0)
    buckets.take("d", 0.0)
    buckets.take("e", 1.0)
    assert len(buckets) == 2
    assert buckets.held("d", 1.0) == 4.0
