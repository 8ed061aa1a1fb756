"""What the doors refuse, in few lines of the log."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from pagereeve.app import refusal_log
from pagereeve.app.refusal_log import RefusalLog
from pagereeve.feeds.stats import FeedStats
from pagereeve.feeds.testing import LoopClock


class Lines(list[dict[str, Any]]):
    def log(self, level: int, event: str, **values: Any) -> None:
        self.append({"level": level, "event": event, **values})


async def test_it_says_when_refusing_begins_and_when_it_is_over_and_not_each_time() -> None:
    stats, lines = FeedStats(), Lines()
    told = RefusalLog({"badges": stats.telemetry}, lines, LoopClock())
    told.look()
    assert lines == []
    for _ in range(5):
        stats.connections_refused["displaced"] += 1_000
        told.look()
    assert [(line["feed"], line["reason"], line["state"], line["refused"]) for line in lines] == [
        ("badges", "displaced", "refuses", 1_000)
    ]
    told.look()
    assert [line["state"] for line in lines] == ["refuses", "ok"]
    assert lines[1]["before_times"] == 5


async def test_what_a_sender_said_wrong_is_its_own_to_hear() -> None:
    stats, lines = FeedStats(), Lines()
    told = RefusalLog({"http": stats.telemetry}, lines, LoopClock())
    stats.refused["bad-json"] += 7
    stats.refused["head-too-large"] += 1
    told.look()
    assert [line["reason"] for line in lines] == ["head-too-large"]


async def test_it_looks_again_and_again_until_it_is_stopped(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(refusal_log, "LOOK_EVERY_S", 0.01)
    stats, lines = FeedStats(), Lines()
    told = RefusalLog({"http": stats.telemetry}, lines, LoopClock())
    told.start()
    stats.refused["too-slow"] += 1
    async with asyncio.timeout(5):
        while len(lines) < 2:  # noqa: ASYNC110 - a list has no event
            await asyncio.sleep(0.005)
    told.stop()
    stats.refused["too-slow"] += 1
    await asyncio.sleep(0.05)
    assert [line["state"] for line in lines] == ["refuses", "ok"]
