"""A channel that the meter stopped answering, while its others are read on: no reading after, and no wait without end.

Until the channel is read again its releases are unproven in it; then its next cut judges them, as a late reading does.
"""

from __future__ import annotations

from collections.abc import Sequence

from pagereeve.domain.brackets.runs import Run, Sample
from pagereeve.domain.brackets.windows import Window


def is_given_up(channel: str, window: Window, runs: Sequence[Run]) -> bool:
    """Whether the window has no reading after it in the channel: the longest wait was over, or the channel is unread.

    Unread: the window has closed, and the meter was read without the channel since, for as long as a count that does
    not move is waited for.
    """
    return window.closing == "longest-wait" or _is_unread(channel, window, runs[-1].samples if runs else ())


def _is_unread(channel: str, window: Window, samples: Sequence[Sample]) -> bool:
    closed_us = window.open_until_us
    if closed_us is None or not samples or samples[-1].total(channel) is not None:
        return False
    without = samples[-1]
    for sample in reversed(samples):
        if sample.total(channel) is not None:
            break
        without = sample
    release = window.release
    since_us = max(closed_us, without.plateau.first_received_us)
    return samples[-1].plateau.last_received_us - since_us >= max(release.policy.unmoved_us, release.settle_us)
