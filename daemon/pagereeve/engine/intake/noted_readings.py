"""A noted reading finds its place on its printer's timeline, and is refused where it can't be one."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from pagereeve.domain.facts.facts import ReadingNoted
from pagereeve.ports.noted_readings import PanelReads
from pagereeve.queries.noted_readings import judged


def judged_by(reads: PanelReads, is_known: Callable[[str], bool]) -> Callable[[ReadingNoted], Awaitable[ReadingNoted]]:
    """For placement.Lookup. Two that come at once may both pass: then both stand."""

    async def one(noted: ReadingNoted) -> ReadingNoted:
        return await judged(reads, noted, is_known)

    return one
