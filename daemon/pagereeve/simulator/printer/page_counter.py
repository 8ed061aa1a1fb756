"""The counter itself: trails the paper, is saved now and then, and forgets what was not saved."""

from __future__ import annotations

from collections import deque

from pagereeve.simulator.printer.model import PrinterSpec


class MeterHead:
    """A life count and a power-on count in one unit. The shown values trail the real ones by the spec's lag."""

    def __init__(self, spec: PrinterSpec, count: int) -> None:
        self._lag_us = spec.lag_us
        self._save_every = max(1, spec.save_every)
        self._modulus = spec.modulus
        self._count = count
        self._shown = count
        self._power_on = 0
        self._behind: deque[tuple[int, int]] = deque()

    def step(self, steps: int, at_us: int) -> None:
        self._count += steps
        self._behind.append((at_us + self._lag_us, steps))
        self._catch_up(at_us)

    def show(self, at_us: int) -> tuple[int, int]:
        """(life count, power-on count) as an agent would answer at ``at_us``."""
        self._catch_up(at_us)
        return self._shown % self._modulus, self._power_on

    def power_cut(self) -> int:
        """Fall back to the last saved count; how many steps that loses."""
        lost = self._count % self._save_every
        self.put(self._count - lost)
        self._power_on = 0
        return lost

    def put(self, count: int) -> None:
        """Set the count, at once and without a trace."""
        self._count = self._shown = count
        self._behind.clear()

    def _catch_up(self, at_us: int) -> None:
        while self._behind and self._behind[0][0] <= at_us:
            steps = self._behind.popleft()[1]
            self._shown += steps
            self._power_on += steps
