"""A line feed's pace, on a clock of ours."""

from __future__ import annotations

import pytest

from pagereeve.feeds.lines.pacing import DAY_S, STRANGERS_BURST, STRANGERS_PER_S, LinePace, PacedIntake
from pagereeve.feeds.testing import MemoryIntake
from pagereeve.ports.intake import BadgeLine, RefusedInput


class JumpClock:
    """Sleeping takes no time of ours."""

    def __init__(self) -> None:
        self.at_s = 0.0

    def now_us(self) -> int:
        return self.monotonic_us()

    def monotonic_us(self) -> int:
        return round(self.at_s * 1_000_000)

    async def sleep(self, seconds: float) -> None:
        self.at_s += max(seconds, 0.000_001)


async def sent(
    count: int, clock: JumpClock, pace: LinePace, peer: str = "192.0.2.1", *, is_gateway: bool = True
) -> float:
    """How long ``count`` lines of a peer take."""
    intake = MemoryIntake()
    lines = []
    paced = PacedIntake(intake, pace, peer, lambda: lines.append(clock.at_s), is_gateway=is_gateway)
    begun_s = clock.at_s
    for number in range(count):
        await paced.badge_line(BadgeLine("gw", f"{number}", "lines", number, ""))
    assert len(intake.badges) == len(lines) == count
    return clock.at_s - begun_s


async def test_a_burst_comes_at_once_and_the_rest_at_the_rate_of_its_own_address() -> None:
    clock = JumpClock()
    pace = LinePace(lines_per_s=10.0, lines_burst=50.0, lines_per_day=10_000.0, clock=clock)
    assert await sent(50, clock, pace) == 0
    assert await sent(100, clock, pace) == pytest.approx(10.0, rel=0.01)
    assert await sent(50, clock, pace, peer="192.0.2.2") == 0


async def test_a_days_lines_come_back_with_the_day() -> None:
    clock = JumpClock()
    pace = LinePace(lines_per_s=1_000.0, lines_burst=1_000.0, lines_per_day=100.0, clock=clock)
    assert await sent(100, clock, pace) == 0
    assert await sent(50, clock, pace) == pytest.approx(DAY_S / 2, rel=0.01)


async def test_what_was_refused_has_the_same_pace() -> None:
    clock = JumpClock()
    pace = LinePace(lines_per_s=10.0, lines_burst=1.0, lines_per_day=10_000.0, clock=clock)
    intake = MemoryIntake()
    paced = PacedIntake(intake, pace, "192.0.2.1", lambda: None, is_gateway=True)
    for _ in range(11):
        await paced.refused(RefusedInput("lines", "line-too-long", "gateway gw", b"x", "gw", ""))
    assert clock.at_s == pytest.approx(1.0, rel=0.01)
    assert len(intake.kept_aside) == 11


async def test_addresses_that_are_no_gateways_share_a_pace_that_no_gateway_waits_for() -> None:
    clock = JumpClock()
    pace = LinePace(lines_per_s=1_000.0, lines_burst=1_000.0, lines_per_day=100_000.0, clock=clock)
    took_s = [await sent(150, clock, pace, f"192.0.2.{number}", is_gateway=False) for number in range(4)]
    assert sum(took_s) == pytest.approx((4 * 150 - STRANGERS_BURST) / STRANGERS_PER_S, rel=0.02)
    assert await sent(900, clock, pace, "198.51.100.1") == 0
