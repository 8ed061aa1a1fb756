"""Three daemons with one database: killed, frozen in the middle of transactions and cut off while people print, they
lose no page and no event, count nothing twice and leave no printer unread.

The short form of contrib/drill/three_workers.py, which has six rounds.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path[:0] = [str(Path(__file__).parents[2] / "contrib" / "drill")]

import three_workers  # noqa: E402 - scripts beside the package
from worker_site import a_site  # noqa: E402

pytestmark = pytest.mark.timeout(400)

RELEASES_MIN = 10
"""Fewer, and what befell the workers hit hardly anything."""


async def test_three_daemons_killed_frozen_in_transactions_and_cut_off() -> None:
    async with a_site() as site:
        trial = await three_workers.tried(site, 1)
        assert await three_workers.problems(trial) == []
    assert (trial.kills, trial.cuts) == (1, 1)
    caught = trial.freezer.caught
    assert caught.all == len(three_workers.SHORT_S) + 1
    assert caught.open > 1, caught
    assert len(trial.people.releases) > RELEASES_MIN
