"""A channel that the meter stopped answering, while its others are read on: no reading after, and no wait without end.

Until the channel is read again its releases are unproven in it; then its next cut judges them, as a late reading does.
"""

from __future__ import annotations

from collections.abc import Sequence

from pagereeve.domain.brackets.runs import Run
from pagereeve.domain.brackets.windows import Window
from pagereeve.domain.values.records import dataclass


@dataclass(frozen=True, slots=True)
class Unread:
    """The meter was read without the channel from ``since_us`` on, the last time at ``until_us``."""

    since_us: int
    until_us: int


def unread(channel: str, runs: Sequence[Run]) -> Unread | None:
    """None where the latest reading carries the channel, or there is none. Work in proportion to what lacks it."""
    samples = runs[-1].samples if runs else []
    if not samples or samples[-1].total(channel) is not None:
        return None
    since_us = samples[-1].plateau.first_received_us
    for sample in reversed(samples):
        if sample.total(channel) is not None:
            break
        since_us = sample.plateau.first_received_us
    return Unread(since_us, samples[-1].plateau.last_received_us)


def is_given_up(window: Window, without: Unread | None) -> bool:
    """Whether a window without a cut after it is given up: the longest wait was over, or the channel is not read.

    Not read: the window has closed, and the meter was read without the channel since, for as long as a count that does
    not move is waited for.
    """
    if without is None or window.closing == "longest-wait":
        return window.closing == "longest-wait"
    closed_us = window.open_until_us
    if closed_us is None:
        return False
    release = window.release
    waited_us = without.until_us - max(closed_us, without.since_us)
    return waited_us >= max(release.policy.unmoved_us, release.settle_us)
