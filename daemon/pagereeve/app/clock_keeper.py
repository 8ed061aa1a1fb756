"""What the daemon does about its clock: it begins to date, watches, hears who knows better, and asks to begin again."""

from __future__ import annotations

import asyncio
import secrets
from typing import Final

import structlog

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon_name import daemon_name
from pagereeve.app.dating_on import Boot, Corrected, PersonsWord, begin_dating, corrected, go_on_dating
from pagereeve.app.kernel_clock import synchronised
from pagereeve.app.site_clock import SiteClock
from pagereeve.domain.facts.facts import ClockChanged
from pagereeve.domain.facts.reading import Failure, Reading
from pagereeve.domain.values.instants import SECOND_US, to_text
from pagereeve.engine.badges.watcher import BadgeWatcher
from pagereeve.engine.supervision.clock_watch import Authorities, ClockWatch, Correction
from pagereeve.engine.supervision.supervisor import Supervisor
from pagereeve.ports.clock import Clock, boot_time_us
from pagereeve.ports.store import Store
from pagereeve.settings import Settings

BOOT_BYTES: Final = 8

log = structlog.get_logger("pagereeve.clock")


class ClockKeeper:
    """Of one life of the daemon. ``correctable`` is set once it is to be stopped, and to go on with ``corrected``."""

    def __init__(self, settings: Settings, machine: Clock | None, after: Corrected | None) -> None:
        self.clock = _site_clock(machine) if after is None else after.clock
        self.corrected: Corrected | None = None
        self.correctable = asyncio.Event()
        self._believe_kernel = settings.clock.believe_kernel
        self._shared = settings.journal.shared
        self._data_dir = settings.data_dir
        self._word = PersonsWord.within(settings.data_dir)
        self._after = after

    async def begin(self, store: Store) -> None:
        """Before the first date of this boot is given."""
        if self._after is not None:
            self.boot: Boot = await go_on_dating(store, self._after)
        else:
            self.boot = await begin_dating(store, self.clock, synchronised=self._synchronised())
        if not self.boot.agreed:
            text = "nobody says that the clock of this machine is right; dates are provisional, and nothing is refused"
            log.warning(text, clock=to_text(self.clock.wall_us()), dates_from=to_text(self.boot.anchor_us))
        self.watch = ClockWatch(
            self.clock,
            secrets.token_hex(BOOT_BYTES),
            store,
            self._on_changed,
            daemon=daemon_name(self._data_dir) if self._shared else "",
            agreed=self.boot.agreed,
            authorities=Authorities(self._synchronised, lambda: self._word.take(self.clock.wall_us())),
            on_correction=self._on_correction,
        )

    async def start(self, supervisor: Supervisor, badge_watcher: BadgeWatcher) -> None:
        self._badge_watcher = badge_watcher
        await self.watch.begin()
        supervisor.start("clock", "clock", self.watch.run, heartbeat=self.watch.heartbeat, forever=True)

    def keep_word(self, by: str) -> int:
        """Somebody who may say so says that the wall clock is right now; that instant. Raises OSError."""
        wall_us = self.clock.wall_us()
        self._word.leave(by, wall_us)
        return wall_us

    def is_agreed(self) -> bool:
        return self.watch.agreed

    def read(self, printer: str, result: Reading | Failure) -> None:
        """A printer's uptime may say how long the daemon was away."""
        before = self.boot.last_seen.get(printer)
        if before is not None and isinstance(result, Reading):
            self.watch.witnesses.uptime(printer, before, result)

    def _synchronised(self) -> bool:
        return self._believe_kernel and synchronised()

    def _on_changed(self, changed: ClockChanged) -> None:
        self._badge_watcher.accept(changed)
        if changed.change in {"stepped", "returned"}:
            size_s = changed.size_us / SECOND_US
            log.warning("the clock of this machine stepped; dates go on as they were", size_s=size_s)

    def _on_correction(self, correction: Correction) -> bool:
        """False where it can't be done at once."""
        by_s = correction.by_us / SECOND_US
        self.corrected = corrected(self.boot, self.clock, correction, shared=self._shared)
        if self.corrected is None:
            text = "dates can't be set back among older ones; give wrong ones another date with pagereeve clock redate"
            log.error(text, by_s=by_s, why=correction.why)
            return False
        log.warning("our dates are corrected; the daemon begins again", by_s=by_s, why=correction.why)
        self.correctable.set()
        return True


def _site_clock(machine: Clock | None) -> SiteClock:
    return SiteClock(SystemClock(), boot_time_us) if machine is None else SiteClock(machine, machine.monotonic_us)
