"""More is asked than can be done: two looks say so, and the lower threshold ends it."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest

from pagereeve.engine.supervision.overload import RETRY_LEAST_S, RETRY_MOST_S, THRESHOLDS, Overload, OverloadWatch
from pagereeve.ports.telemetry import OVERLOAD_CAUSES, OverloadCause
from tests.unit.engine.virtual import VirtualClock, passing


@dataclass
class Site:
    """What is measured, and what was told."""

    measured: dict[OverloadCause, float] = field(default_factory=lambda: dict.fromkeys(OVERLOAD_CAUSES, 0.0))
    told: list[Overload | None] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.watch = OverloadWatch(VirtualClock(), lambda: dict(self.measured), self.told.append)

    def looks(self, cause: OverloadCause, *values: float) -> list[bool]:
        """Whether it is overloaded after each of these."""
        found = []
        for value in values:
            self.measured[cause] = value
            self.watch.look()
            found.append(self.watch.overloaded)
        return found


async def _site() -> Site:
    return Site()


@pytest.mark.parametrize("cause", OVERLOAD_CAUSES)
def test_one_odd_measurement_is_a_glitch_and_two_are_a_fact_both_ways(cause: OverloadCause) -> None:
    site, (high, low, _) = passing(_site()), THRESHOLDS[cause]
    between = (high + low) / 2
    assert site.looks(cause, 0, high, 0, high, between, high) == [False] * 6
    assert site.looks(cause, high, between, between, low, between, low) == [True] * 6
    assert site.looks(cause, low, between, between) == [False] * 3
    assert [None if one is None else one.causes for one in site.told] == [(cause,), None]


def test_it_is_over_only_when_every_cause_is() -> None:
    site = passing(_site())
    site.looks("write-wait", 4.0, 4.0)
    site.looks("projection-wait", 7.0, 7.0)
    assert site.watch.telemetry().causes == ("write-wait", "projection-wait")
    assert "the oldest write has waited for 4.0 s" in site.watch.notice()
    assert site.looks("write-wait", 0, 0) == [True, True]
    assert site.watch.telemetry().causes == ("projection-wait",)
    assert site.looks("projection-wait", 0, 0) == [True, False]
    assert (len(site.told), site.watch.notice()) == (2, "")


def test_who_is_told_to_come_again_waits_for_about_what_is_waited_for_now() -> None:
    site = passing(_site())
    assert site.watch.retry_after_s() is None
    found = []
    for seconds in (3.0, 17.2, 500.0):
        site.looks("write-wait", seconds, seconds)
        found.append(site.watch.retry_after_s())
    assert found == [RETRY_LEAST_S, 18, RETRY_MOST_S]
