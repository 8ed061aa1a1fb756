"""Whether a release that started now would be parted from all before it, by an inner cut (domain/README.md, step 4).

A window lasts for the settle time, since a printer may begin again. Who wants to begin needs less: a rest that proves
that what comes later is the later one's.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from pagereeve.domain.brackets.expectation import CLAIMED_CHANNELS
from pagereeve.domain.brackets.inner_cuts import is_done
from pagereeve.domain.brackets.partition import Between, Cut, partition
from pagereeve.domain.brackets.runs import Run, Sample
from pagereeve.domain.brackets.timeline import EventKey
from pagereeve.domain.brackets.windows import Window
from pagereeve.domain.charging.postings import expectations_of
from pagereeve.domain.projection.projection import Projected


def rests_provably(view: Projected, waiting: Collection[EventKey]) -> bool:
    """The releases of the open bracket have reached their claims, and the meter rested behind them for long enough.

    ``waiting`` are start notices whose releases may not begin yet: they print nothing.
    """
    runs = view.runs.runs
    windows = [one for one in view.windows if one.release.started.origin.key not in waiting]
    if not runs or not runs[-1].samples or view.runs.pending is not None:
        return False
    last = runs[-1].samples[-1]
    channels = [channel for channel, _ in last.totals if channel in CLAIMED_CHANNELS]
    return bool(channels) and all(_is_parted(channel, runs, last, windows) for channel in channels)


def _is_parted(channel: str, runs: Sequence[Run], last: Sample, windows: Sequence[Window]) -> bool:
    part = partition(channel, runs, windows)
    if not part.waiting:
        return True
    count, total = last.plateau.sight.count(channel), last.total(channel)
    if part.last is None or part.last.run is not runs[-1] or count is None or total is None:
        return False
    at_us = last.plateau.last_received_us
    closing = Cut(runs[-1], count, total, at_us, at_us)
    expectations = expectations_of(channel, count.unit, part.waiting)
    return is_done(channel, Between(part.last, closing, part.waiting), expectations)
