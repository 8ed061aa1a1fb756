"""The unit that a page's figures are in: a figure without one means nothing to who has to pay for it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from pagereeve.domain.facts.reading import KNOWN_UNITS, Unit

UNKNOWN: Final = "sheets or sides"
ALL_UNKNOWN: Final = "Whether the figures are sheets or sides is not known."


def unit_of(unit: Unit | None) -> str:
    """As a printer's page has it."""
    return unit.value if unit in KNOWN_UNITS and unit is not None else UNKNOWN


def unit_said(units: Iterable[Unit | None]) -> str:
    """Of a table's figures, as a sentence of the note below it; "" where there are none."""
    words = sorted({unit_of(one) for one in units})
    if len(words) < 2:
        return "".join(ALL_UNKNOWN if one == UNKNOWN else f"All figures are {one}." for one in words)
    return "Figures are impressions or sheets, as each printer's meter counts; the page of a release says which."
