"""Finding the resume point from which a projection can restart, in whatever holds the segments."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol, TypeVar

from pagereeve.domain.ledger import RowSegment
from pagereeve.domain.values.errors import BadFact


class SegmentReads(Protocol):
    async def segment_before(self, printer: str, at_us: int) -> RowSegment | None:
        """As ports.ledger says."""
        ...


class HasInstant(Protocol):
    @property
    def at_us(self) -> int: ...


AnyResumePoint = TypeVar("AnyResumePoint", bound=HasInstant)


async def resume_point_before(
    reads: SegmentReads, printer: str, before_us: int, read: Callable[[Any], AnyResumePoint]
) -> AnyResumePoint | None:
    """The latest stored resume point that lies before ``before_us``; None where there is none, or of another
    version.
    """
    at_us = before_us - 1
    for _ in range(2):
        segment = await reads.segment_before(printer, at_us)
        if segment is None or segment.resume_point is None:
            return None
        try:
            resume_point = read(segment.resume_point)
        except BadFact:
            # Another version of the projection left it: restart from the first fact.
            return None
        if resume_point.at_us < before_us:
            return resume_point
        # This segment holds the instant: its own beginning is the resume point of the one before.
        at_us = segment.anchor_us - 1
    return None
