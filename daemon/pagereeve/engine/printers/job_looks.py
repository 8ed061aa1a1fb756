"""Looks at one printer's jobs: how long they take, and what came of them that is not stored yet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pagereeve.domain.facts.facts import ReleaseStarted
from pagereeve.domain.facts.jobs import JobCounted
from pagereeve.engine.printers.job_following import JobFollower
from pagereeve.engine.printers.named_jobs import named_jobs
from pagereeve.ports.clock import Clock
from pagereeve.ports.jobs import JobWitness
from pagereeve.ports.meter import MeterTarget

# So much of what a printer said of its jobs waits for a journal that can't be written.
SAID_MAX = 1_000
# To ask a printer for its jobs takes longer than this; to see that it has none to tell of does not. What was read waits
# for no longer look.
LONG_LOOK_US = 5_000


@dataclass(slots=True)
class JobLooks:
    """``take_long``: so the last one did, or there was none. ``_said`` is taken out by whoever stores it.

    Most printers have no jobs to tell of, and there are thousands: what follows them is made with the first look.
    """

    printer: str
    clock: Clock
    take_long: bool = True
    _follower: JobFollower | None = None
    _said: list[JobCounted] | None = None

    async def look(
        self, jobs: JobWitness, target: MeterTarget, timeout_s: float, starts: Sequence[ReleaseStarted]
    ) -> list[JobCounted]:
        """All that is not stored yet. ``starts`` are start notices of open releases."""
        named = named_jobs(starts)
        began_us = self.clock.monotonic_us()
        looks = await jobs.look(target, timeout_s, busy=bool(starts), names=list(named))
        self.take_long = self.clock.monotonic_us() - began_us > LONG_LOOK_US
        if not looks and not self._said:
            return []
        follower = self._follower = self._follower or JobFollower(self.printer)
        said = self._said = self._said or []
        said += [one for look in looks for one in follower.take(look, named)]
        del said[:-SAID_MAX]
        return said
