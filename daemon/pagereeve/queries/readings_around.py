"""What a printer's meter showed around an instant."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pagereeve.domain.facts.facts import PlateauRead
from pagereeve.domain.facts.reading import Plateau
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.noted_readings import MeterReads
from pagereeve.queries.newest_reading import newest_plateau

# How far before an instant a run of readings is looked for at first, and how much farther each time: a quiet printer
# has one for weeks, a busy one thousands a day.
_BACK_US: Final = 86_400 * SECOND_US
_FARTHER: Final = 8


@dataclass(frozen=True, slots=True)
class Around:
    """The last run of readings that began before an instant, and the first that ended after it."""

    before: Plateau | None
    after: Plateau | None


async def readings_around(held: MeterReads, printer: str, from_us: int, until_us: int) -> Around:
    """Around any instant of [from_us, until_us]."""
    back_us = _BACK_US
    while True:
        since_us = max(from_us - back_us, 0)
        before: Plateau | None = None
        async for stored in held.facts(printer, since_us):
            if not isinstance(stored.fact, PlateauRead):
                continue
            plateau = stored.fact.plateau
            if plateau.first_received_us <= from_us:
                before = plateau
            elif before is None and since_us:
                # The run of a quiet printer began earlier.
                break
            if plateau.last_sent_us >= until_us:
                return Around(before, plateau)
        if before is not None or not since_us:
            return await _and_newest(held, printer, from_us, until_us, before)
        back_us *= _FARTHER


async def _and_newest(held: MeterReads, printer: str, from_us: int, until_us: int, before: Plateau | None) -> Around:
    """No finished run of readings ends after the instant: the one under way may."""
    newest = await newest_plateau(held, printer)
    if newest is None:
        return Around(before, None)
    before = newest if newest.first_received_us <= from_us else before
    return Around(before, newest if newest.last_sent_us >= until_us else None)
