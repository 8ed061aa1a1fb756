"""How the dates of a boot begin, and what becomes of them once somebody knows better."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from pagereeve.app.site_clock import SiteClock, last_dated_us
from pagereeve.domain.badges.projector import SITE
from pagereeve.domain.facts.facts import PlateauRead, Redated
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.supervision.clock_agreement import LastSeen, begins_agreed
from pagereeve.engine.supervision.clock_watch import Correction
from pagereeve.ports.store import Store

OUR_CLOCK: Final = "our own clock"
# Of a boot that is older, the dates so far were right as far as anybody knows: a clock that NTP sets right is set soon.
YOUNG_US: Final = 900 * SECOND_US
# Where a person's word is left for a daemon that runs, or will; after so long it says nothing about the clock any more.
WORD_NAME: Final = "clock-agreed.json"
WORD_GOOD_US: Final = 600 * SECOND_US


@dataclass(frozen=True, slots=True)
class Boot:
    """``anchor_us``: the first date. ``before_us``: the last one before it, 0 where there is none."""

    anchor_us: int
    before_us: int
    agreed: bool
    last_seen: Mapping[str, LastSeen] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Corrected:
    """What the next boot, in the same process, begins with: the clock, and what is to be moved first.

    ``from_us`` is None where dates so far were right, and are left as they are.
    """

    clock: SiteClock
    by_us: int
    why: str
    from_us: int | None


def corrected(boot: Boot, clock: SiteClock, correction: Correction, *, shared: bool = False) -> Corrected | None:
    """None where it can't be done: dates would lie among those of the boot before, and somebody must say which of both
    are wrong (``pagereeve clock``). ``shared``: others date facts of the same timelines, and rightly for all we know;
    so no facts are moved, and dates go on from here.
    """
    young = not shared and (not boot.agreed or clock.now_us() - boot.anchor_us <= YOUNG_US)
    if correction.by_us < 0 and not (young and boot.anchor_us + correction.by_us > boot.before_us):
        return None
    return Corrected(clock, correction.by_us, correction.why, boot.anchor_us if young else None)


async def begin_dating(store: Store, clock: SiteClock, *, synchronised: bool) -> Boot:
    """The first date of a boot lies behind all that the journal holds, whatever the wall clock shows."""
    before_us, wall_us = await last_dated_us(store), clock.wall_us()
    agreed = begins_agreed(wall_us, before_us, synchronised=synchronised)
    clock.anchor(max(wall_us, before_us + 1) if agreed or not before_us else before_us + 1)
    seen = {} if agreed else await _last_seen(store)
    return Boot(clock.now_us(), before_us, agreed, seen)


async def go_on_dating(store: Store, after: Corrected) -> Boot:
    """The same process goes on with corrected dates; those given so far are moved with them, where they must be."""
    clock = after.clock
    if after.from_us is not None:
        span = (after.from_us, clock.now_us() + 1, after.by_us)
        names = [SITE, *await store.printers()]
        at_us = clock.now_us() + after.by_us
        await store.redate([Redated(name, at_us, *span, OUR_CLOCK, after.why) for name in names])
    clock.anchor(clock.now_us() + after.by_us)
    return Boot(clock.now_us(), await last_dated_us(store), agreed=True)


async def _last_seen(store: Store) -> Mapping[str, LastSeen]:
    """Of printers that answered when they were last read, and said how long they had been up."""
    seen = {}
    async for printer, run in store.open_runs():
        if isinstance(run.fact, PlateauRead) and run.fact.plateau.last_uptime_cs is not None:
            seen[printer] = LastSeen(run.fact.plateau.last_received_us, run.fact.plateau.last_uptime_cs)
    return seen


@dataclass(frozen=True, slots=True)
class PersonsWord:
    """``pagereeve clock agree`` leaves it in the data folder: who may write there may say it."""

    path: Path

    @classmethod
    def within(cls, data_dir: Path) -> PersonsWord:
        return cls(data_dir / WORD_NAME)

    def leave(self, by: str, wall_us: int) -> None:
        self.path.write_text(json.dumps({"by": by, "wall_us": wall_us}), encoding="utf-8")

    def take(self, wall_us: int) -> str:
        """Who said it; "" where nobody did, or of another time than the clock shows. It counts once."""
        if not self.path.exists():
            return ""
        try:
            said = json.loads(self.path.read_text(encoding="utf-8"))
            by, at_us = str(said["by"]), int(said["wall_us"])
        except (ValueError, KeyError, TypeError):
            by, at_us = "", 0
        self.path.unlink()
        return by if abs(wall_us - at_us) <= WORD_GOOD_US else ""
