"""The college's printers, and as many more as somebody wants: an annex of the same models."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from pagereeve.simulator.college.roll import PLACES, Place
from pagereeve.simulator.errors import BadScenario

PLACES_MAX: Final = 100
BEHIND_ONE_GATEWAY: Final = 10


def places_for(count: int) -> tuple[Place, ...]:
    """Raises BadScenario."""
    if not 1 <= count <= PLACES_MAX:
        raise BadScenario(f"{count} printers can't be simulated; 1 to {PLACES_MAX} can")
    return PLACES[:count] + tuple(_annex(nth) for nth in range(len(PLACES) + 1, count + 1))


def _annex(nth: int) -> Place:
    like = PLACES[nth % len(PLACES)]
    name = f"annex-{nth:03d}"
    spec = replace(like.spec, name=name, serial=f"WC-9{nth:03d}", start_count=1_000 * nth)
    gateway = f"annex-{(nth - 1) // BEHIND_ONE_GATEWAY}"
    return replace(like, printer=name, gateway=gateway, site="Annex", spec=spec)
