"""A printer whose panel people read: nothing is asked of it over the network, and that is said."""

from __future__ import annotations

from typing import Final

from pagereeve.domain.facts.reading import Failure, SilenceReason
from pagereeve.ports.inspection import Inspection, NextStep, PrinterIdentity
from pagereeve.ports.meter import MeterTarget

NO_METER: Final = 'has no meter that can be asked (meter = "panel"): people read its panel'
NOTE: Final = NextStep("pagereeve note-reading notes a figure that somebody read from its panel.")


def not_asked(now_us: int) -> Failure:
    return Failure(now_us, now_us, SilenceReason.NO_METER, NO_METER)


def panel_inspection(target: MeterTarget, now_us: int) -> Inspection:
    failure = not_asked(now_us)
    return Inspection("", target.version, PrinterIdentity(), (), (), (), None, failure, next_step=NOTE, door="panel")
