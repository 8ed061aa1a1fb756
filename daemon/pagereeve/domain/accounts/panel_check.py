"""A figure of a panel beside what is known already: the meter's own readings, and other figures of the same panel.

The panel is a witness of its own, and may be right where the meter is wrong: a figure is refused only where it must be
a slip.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.accounts.supplier_bill import Shown
from pagereeve.domain.facts.panel import PanelReading

# A digit more or fewer than the meter shows is a slip of the keys; between two honest figures lies less, whatever the
# printer. Our choice.
SLIP_FACTOR: Final = 5
SLIP_PAGES: Final = 10_000


@dataclass(frozen=True, slots=True)
class MeterDistance:
    """``before`` and ``after``: what the meter showed last by then and first from then on, where it was read.

    ``off`` is by how much the panel shows more than the most, or (below 0) less than the least, of the two.
    """

    before: Shown | None
    after: Shown | None
    off: int

    @property
    def known(self) -> bool:
        return self.before is not None or self.after is not None


def distance(figure: int, before: Shown | None, after: Shown | None) -> MeterDistance:
    if before is not None and after is not None and after.figure < before.figure:
        # It was replaced, reset or wrapped meanwhile: nothing in between is known.
        return MeterDistance(before, after, 0)
    off = 0 if after is None else max(figure - after.figure, 0)
    off = off or (0 if before is None else min(figure - before.figure, 0))
    return MeterDistance(before, after, off)


def is_slip(figure: int, meter: MeterDistance) -> bool:
    """So far from all that the meter showed that it can only be a slip."""
    shown = [one.figure for one in (meter.before, meter.after) if one is not None]
    if not shown:
        return False
    return figure > max(shown) * SLIP_FACTOR + SLIP_PAGES or figure * SLIP_FACTOR + SLIP_PAGES < min(shown)


def shown_text(meter: MeterDistance) -> str:
    """What was shown around the instant, as ``1005 to 1012``."""
    figures = [one.figure for one in (meter.before, meter.after) if one is not None]
    return " to ".join(dict.fromkeys(map(str, figures)))


@dataclass(frozen=True, slots=True)
class Beside:
    """Of one panel and channel: the standing figures at an instant, before it and after it."""

    before: PanelReading | None
    at: PanelReading | None
    after: PanelReading | None

    def contradicts(self, figure: int) -> PanelReading | None:
        """The figure beside it that a count which only goes up can't lead to, or come from."""
        if self.before is not None and figure < self.before.figure:
            return self.before
        return self.after if self.after is not None and figure > self.after.figure else None


def beside(known: Iterable[PanelReading], printer: str, channel: str, at_us: int) -> Beside:
    before: PanelReading | None = None
    here: PanelReading | None = None
    after: PanelReading | None = None
    for one in known:
        if (one.noted.printer, one.channel) != (printer, channel):
            continue
        if one.at_us < at_us:
            before = one
        elif one.at_us == at_us:
            here = one
        else:
            after = after or one
    return Beside(before, here, after)
