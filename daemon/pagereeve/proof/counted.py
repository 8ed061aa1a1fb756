"""Which of a meter's counts test pages are held against: its total, or its sheets where it has no total."""

from __future__ import annotations

from typing import Final

from pagereeve.domain.facts.reading import Count, Sight
from pagereeve.ports.inspection import ChannelFound, Inspection

LEADS: Final = ("total", "sheets")


def count_in(sight: Sight) -> Count | None:
    return next((count for name in LEADS if (count := sight.count(name)) is not None), None)


def count_found(seen: Inspection) -> ChannelFound | None:
    return next((one for name in LEADS for one in seen.channels if one.name == name), None)
