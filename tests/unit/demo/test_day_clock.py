"""The day's clock stands still while the machine is late, and not for ever."""

from __future__ import annotations

from dataclasses import dataclass

from pagereeve.demo.day_clock import USUAL_US, DayClock
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.simulator.college.scenario import Scenario


@dataclass
class LateClock:
    """Each sleep lasts ``late_us`` longer than it should."""

    late_us: int = 0
    at_us: int = 0

    def now_us(self) -> int:
        return self.at_us

    def monotonic_us(self) -> int:
        return self.at_us

    async def sleep(self, seconds: float) -> None:
        self.at_us += int(seconds * SECOND_US) + self.late_us


async def test_the_day_keeps_time_with_a_machine_that_has_time_for_it() -> None:
    machine = LateClock(late_us=USUAL_US)
    day = DayClock(machine, 60 * SECOND_US)
    await day.sleep(10)
    assert day.stood_us == 0
    assert abs(machine.at_us - 10 * SECOND_US) <= 100_000


async def test_steps_keep_their_distance_in_the_time_in_which_the_machine_worked() -> None:
    machine = LateClock(late_us=200_000 + USUAL_US)
    day = DayClock(machine, 600 * SECOND_US)
    done_us: list[tuple[int, int]] = []
    scenario = Scenario(1)
    for at_s in (1.0, 2.0):
        scenario.at(at_s, lambda: done_us.append((day.monotonic_us(), machine.at_us)))
    await scenario.run(day)
    (first_us, real_first_us), (second_us, real_second_us) = done_us
    assert abs(second_us - first_us - SECOND_US) <= 100_000
    # A turn of 50 ms took 270.
    assert real_second_us - real_first_us > 3 * SECOND_US


async def test_a_day_does_not_stand_still_for_ever() -> None:
    machine = LateClock(late_us=10 * SECOND_US)
    day = DayClock(machine, 30 * SECOND_US)
    await day.sleep(60)
    assert day.stood_us == 30 * SECOND_US
    assert machine.at_us <= 30 * SECOND_US + 80 * SECOND_US
