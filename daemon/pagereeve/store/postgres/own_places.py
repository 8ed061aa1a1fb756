"""Which places of the seal hold what this worker stored itself."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, field
from typing import Final

SPANS_MAX: Final = 10_000


@dataclass(slots=True)
class OwnPlaces:
    """The latest SPANS_MAX stretches of them that nobody has gone past yet. What is forgotten counts as somebody
    else's, and is handed over once more.
    """

    _spans: list[tuple[int, int]] = field(default_factory=list)

    def add(self, after: int, through: int) -> None:
        """All places behind ``after`` up to ``through``. Each call's lie behind those of the one before."""
        if through <= after:
            return
        if self._spans and self._spans[-1][1] == after:
            after, _ = self._spans.pop()
        self._spans.append((after, through))
        if len(self._spans) > SPANS_MAX:
            del self._spans[0]

    def past(self, place: int) -> int:
        """The first place from there on behind which something else stands, or nothing yet. Stretches that begin
        before it are forgotten.
        """
        gone = 0
        for after, through in self._spans:
            if after > place:
                break
            place = max(place, through)
            gone += 1
        del self._spans[:gone]
        return place

    def holds(self, place: int) -> bool:
        before = bisect_left(self._spans, (place,)) - 1
        return before >= 0 and place <= self._spans[before][1]
