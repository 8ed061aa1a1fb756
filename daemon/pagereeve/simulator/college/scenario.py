"""A timeline: at this second, do that. Runs in real time on the clock it is given."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.clock import Clock
from pagereeve.simulator.errors import BadScenario

STEPS_MAX: Final = 10_000

Action = Callable[[], Awaitable[None] | None]


@dataclass(frozen=True, slots=True)
class ScenarioStep:
    at_s: float
    what: str
    action: Action


@dataclass(frozen=True, slots=True)
class Planted:
    """A fault put in on purpose, ``at_s`` into the day: what must be found, and what may be found besides, as
    (kind, printer).
    """

    what: str
    at_s: float
    printer: str
    expected: tuple[tuple[str, str], ...]
    allowed: tuple[tuple[str, str], ...] = ()


class Scenario:
    """Steps in order of time; equal times keep the order in which they were added."""

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self._steps: list[ScenarioStep] = []

    def at(self, at_s: float, action: Action, what: str = "") -> Scenario:
        """Raises BadScenario for a time before the start or too many steps."""
        if at_s < 0:
            raise BadScenario(f"step {what!r} is {-at_s} s before the start")
        if len(self._steps) >= STEPS_MAX:
            raise BadScenario(f"a scenario has {STEPS_MAX} steps at most")
        self._steps.append(ScenarioStep(at_s, what, action))
        return self

    @property
    def steps(self) -> tuple[ScenarioStep, ...]:
        return tuple(sorted(self._steps, key=lambda step: step.at_s))

    @property
    def length_s(self) -> float:
        return max((step.at_s for step in self._steps), default=0.0)

    async def run(self, clock: Clock, on_step: Callable[[ScenarioStep], None] | None = None) -> None:
        """Do every step at its second after now; an action's error ends the run."""
        began_us = clock.monotonic_us()
        for step in self.steps:
            wait_s = step.at_s - (clock.monotonic_us() - began_us) / SECOND_US
            if wait_s > 0:
                await clock.sleep(wait_s)
            done = step.action()
            if done is not None:
                await done
            if on_step is not None:
                on_step(step)
