"""Short forms of what contrib/drill shows at length."""

from __future__ import annotations

import argparse
import asyncio
import gc
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from pagereeve.app.running import loop_factory

CONTRIB = Path(__file__).parents[2] / "contrib"
sys.path[:0] = [str(CONTRIB / "bench"), str(CONTRIB / "drill")]

import memory  # noqa: E402 - a script beside the package

pytestmark = pytest.mark.alone


@pytest.fixture
def own_collector() -> Iterator[None]:
    """The daemon turns the collector off, and counts on a process of its own."""
    interval_s = sys.getswitchinterval()
    yield
    gc.unfreeze()
    gc.enable()
    sys.setswitchinterval(interval_s)


@pytest.mark.usefixtures("own_collector")
def test_memory_stays_flat_over_a_thousand_releases() -> None:
    """The drill wants a tenth over 200,000; of so few the warm-up is a large part, so only a leak of all is caught."""
    args = argparse.Namespace(printers=40, rate=60.0, seconds=18.0, gated=False, peak=False, scrape_s=0.0)
    with asyncio.Runner(loop_factory=loop_factory()) as runner:
        samples = runner.run(memory.measure(args))
    grown, _ = memory.verdict(samples)
    assert grown < 64 * 2**20


def test_a_leak_is_found_out() -> None:
    flat = [(float(at_s), 100 * 2**20 + at_s % 3 * 2**18) for at_s in range(100)]
    leaking = [(at_s, size + int(at_s) * 2**19) for at_s, size in flat]
    assert abs(memory.verdict(flat)[1]) < memory.GROWTH_SHARE_MAX / 4
    assert memory.verdict(leaking)[1] > memory.GROWTH_SHARE_MAX * 2
