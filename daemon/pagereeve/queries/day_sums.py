"""The sums of each day of a period, some days at a time."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from typing import Final

from pagereeve.domain.accounts.period_sums import PeriodSums
from pagereeve.domain.accounts.periods import Period
from pagereeve.ports.reads import Reads

DAYS_AT_ONCE: Final = 8
"""Their sums, and the segments over their midnights, are in memory together."""


async def sums_by_day(held: Reads, days: Sequence[Period]) -> AsyncIterator[tuple[Period, PeriodSums]]:
    """In order; ``held`` is of one moment. Statements go by DAYS_AT_ONCE, and not by printers."""
    for first in range(0, len(days), DAYS_AT_ONCE):
        some = days[first : first + DAYS_AT_ONCE]
        sums = await held.sums_of_each([(day.from_us, day.to_us) for day in some])
        for pair in zip(some, sums, strict=True):
            yield pair
