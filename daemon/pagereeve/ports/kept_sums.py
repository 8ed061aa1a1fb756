"""What questions keep of whole periods: sums of each printer's rows, each as of a counter of how often they changed."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from pagereeve.domain.accounts.charge_sums import LoginSums
from pagereeve.domain.accounts.printer_parts import PrinterPart

KEPT_BYTES_MAX: Final = 128 * 2**20
"""About so much is kept of all periods together, and what was asked for longest ago goes first: the service has 1 GiB.
"""
LINE_BYTES: Final = 2_000
"""A printer's or a login's sums in one channel, with their lines, take about as much."""
ROW_BYTES: Final = 80
"""Of a login at one printer; and of a printer's counter."""
RECENT_MAX: Final = 8
"""Questions that see a moment each are under way at once; half as many (console/api/turns.py)."""


class RowsState(NamedTuple):
    """``versions``: by printer, how often its rows were replaced; absent is 0. ``journal`` is which one it is, and who
    opened it last for writing, and when. ``size`` facts are sealed in it, and ``link`` of the last of these.
    """

    journal: tuple[object, ...]
    size: int
    link: bytes | None
    versions: Mapping[str, int]


NOTHING: Final = RowsState((), 0, None, {})


@dataclass(slots=True)
class KeptSpan:
    """``turn`` is held by the one question that brings it up to date. ``versions`` None: nothing was read yet."""

    turn: asyncio.Lock = field(default_factory=asyncio.Lock)
    versions: Mapping[str, int] | None = None
    parts: dict[str, PrinterPart] = field(default_factory=dict)
    logins: LoginSums = field(default_factory=LoginSums)

    @property
    def size_bytes(self) -> int:
        lines = sum(len(one.lines) + len(one.edges) for one in self.parts.values())
        rows = self.logins.rows + len(self.versions or ())
        return (lines + self.logins.logins) * LINE_BYTES + rows * ROW_BYTES


@dataclass(slots=True)
class KeptSums:
    """By what is kept and the span of time, the latest asked for last. Of one journal as it grew: ``latest`` is the
    latest state that was seen, and ``recent`` are some of those before, as which others may still see it. ``asking`` is
    held by who asks for its state, as the answer is about ``latest``.
    """

    bytes_max: int = KEPT_BYTES_MAX
    asking: asyncio.Lock = field(default_factory=asyncio.Lock)
    latest: RowsState = NOTHING
    recent: deque[RowsState] = field(default_factory=lambda: deque(maxlen=RECENT_MAX))
    spans: dict[tuple[str, int, int], KeptSpan] = field(default_factory=dict)

    def follow(self, now: RowsState, linked: bytes | None) -> bool:
        """Whether what is kept may serve; else ``now`` is of earlier than that, or of a copy that was put back.

        ``linked`` is what is sealed now under the latest place. Where that is other, or somebody opened the journal
        since, nothing that is kept is known to be of this journal: all is dropped.
        """
        if now in self.recent:
            return True
        if now.journal == self.latest.journal and now.size < self.latest.size:
            return False
        if now.journal != self.latest.journal or linked != self.latest.link:
            self.spans.clear()
            self.recent.clear()
        self.latest = now
        self.recent.append(now)
        return True

    def span(self, kind: str, from_us: int, to_us: int) -> KeptSpan:
        key = (kind, from_us, to_us)
        one = self.spans.pop(key) if key in self.spans else KeptSpan()
        self.spans[key] = one
        return one

    def trim(self) -> None:
        sizes = {key: one.size_bytes for key, one in self.spans.items()}
        size_bytes = sum(sizes.values())
        for key, one in sizes.items():
            if size_bytes <= self.bytes_max:
                return
            del self.spans[key]
            size_bytes -= one
