"""The machine's clock and randomness."""

from __future__ import annotations

import time
from itertools import pairwise

from pagereeve.app.clocks import REQUEST_ID_MAX, SystemClock, SystemEntropy
from pagereeve.ports.clock import Clock
from pagereeve.ports.entropy import Entropy


def test_wall_time_is_in_microseconds_since_1970() -> None:
    clock: Clock = SystemClock()
    before = time.time()
    now_us = clock.now_us()
    assert before - 1 <= now_us / 1e6 <= time.time() + 1


async def test_monotonic_time_goes_on_by_what_was_slept() -> None:
    clock: Clock = SystemClock()
    start_us = clock.monotonic_us()
    await clock.sleep(0.02)
    assert 15_000 <= clock.monotonic_us() - start_us < 5_000_000
    samples = [clock.monotonic_us() for _ in range(1000)]
    assert all(earlier <= later for earlier, later in pairwise(samples))


def test_request_ids_are_in_range_and_do_not_follow_one_another() -> None:
    entropy: Entropy = SystemEntropy()
    ids = [entropy.request_id() for _ in range(2000)]
    assert all(1 <= number <= REQUEST_ID_MAX for number in ids)
    assert len(set(ids)) > 1990
    # Spread over the whole range, not counted up: the top and the bottom quarter are both met.
    assert min(ids) < REQUEST_ID_MAX // 4 < 3 * REQUEST_ID_MAX // 4 < max(ids)


def test_jitter_is_in_0_to_1_and_differs_between_processes_generators() -> None:
    one, other = SystemEntropy(), SystemEntropy()
    drawn = [one.jitter() for _ in range(100)]
    assert all(0 <= share < 1 for share in drawn)
    assert drawn != [other.jitter() for _ in range(100)]
