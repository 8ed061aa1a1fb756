"""Nothing that befalls the daemon stops, delays or alters a badge line on its way to the release server, or loses it.

The short form of contrib/drill/relay_trials.py, whose long form has 5,000 lines a trial and 40 kills.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "contrib" / "drill"))

import relay_trials

LINES = 300
KILLS = 4


@pytest.mark.timeout(240)
async def test_lines_pass_unaltered_and_undelayed_whatever_befalls_the_daemon_and_are_recorded_once(
    tmp_path: Path,
) -> None:
    async with relay_trials.a_site(tmp_path) as site:
        for trial in relay_trials.TRIALS:
            waits = await trial(site, LINES)
            assert waits.good, f"{relay_trials.HEAD}\n{waits}"
        passed = await relay_trials.kill_under_load(site, KILLS)
        assert passed > 100, "hardly any load: the kills hit nothing"
        assert relay_trials.once_each(site.sent, await site.recorded(60.0)) == ""


def test_the_trials_would_find_it_out() -> None:
    late = relay_trials.Waits("late", [0.001] * 50 + [0.1] * 50, [0.001] * 100)
    assert not late.good
    assert relay_trials.Waits("well", [0.002] * 100, [0.001] * 100).good
    assert relay_trials.once_each(["1", "2"], Counter({"b-1": 1, "b-2": 1})) == ""
    assert relay_trials.once_each(["1", "2"], Counter({"b-1": 2}))
    assert relay_trials.once_each(["1", "2"], Counter({"b-1": 2, "b-2": 1}))
