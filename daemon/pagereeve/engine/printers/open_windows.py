"""What a projection still waits for from the meter."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pagereeve.domain.projection.projection import Projected
from pagereeve.domain.values.instants import FOREVER_US


@dataclass(frozen=True, slots=True)
class OpenWindows:
    """``starts_us`` of the windows that wait for the meter to rest. ``due_us``: when the next closes if it rests on.

    ``unwitnessed``: a reading waits for a second one to confirm it. ``quiet_until_us``: until then more readings of
    the same sight can change no row, as they close no window and are no second witness. The first reading after a
    window's start always can: it says from when on the meter may rest. All in wall time.
    """

    starts_us: tuple[int, ...] = ()
    due_us: int | None = None
    unwitnessed: bool = False
    quiet_until_us: int = 0

    @classmethod
    def of(cls, view: Projected | None) -> OpenWindows:
        """Of a projection; None where there was none yet."""
        if view is None:
            return NOTHING_OPEN
        waiting = [window for window in view.windows if window.closes_us is None]
        dues = [window.due_us for window in view.windows if window.due_us is not None]
        changes = [window.release.start_us + window.release.policy.longest_us for window in waiting]
        changes += [window.due_us for window in waiting if window.due_us is not None]
        changes += [] if view.waits_told_us is None else [view.waits_told_us]
        unwitnessed = view.runs.unwitnessed
        read_us = _last_read_us(view)
        unread = any(window.release.start_us >= read_us for window in waiting)
        return cls(
            tuple(window.release.start_us for window in waiting),
            min(dues, default=None),
            unwitnessed,
            0 if unwitnessed or unread else min(changes, default=FOREVER_US),
        )


NOTHING_OPEN: Final = OpenWindows()


def _last_read_us(view: Projected) -> int:
    samples = view.runs.runs[-1].samples if view.runs.runs else []
    return samples[-1].plateau.last_received_us if samples else 0
