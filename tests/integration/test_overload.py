"""A store that takes seconds for each commit: told as degraded, senders that can wait come again, nothing is lost.

RFC 9110 sections 15.6.4 (503) and 10.2.3 (Retry-After).
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest
import structlog

from pagereeve.app.daemon import App
from pagereeve.engine.supervision.overload import THRESHOLDS
from pagereeve.ports.intake import BadgeLine
from pagereeve.settings import GatewaySettings, PrinterSettings
from tests.integration.daemon import Outside, hasty_settings, until

# The threshold, and time for two looks and for what is asked while it lasts.
HANGS_S = THRESHOLDS["write-wait"].begins + 3.0


@pytest.fixture
def slow(monkeypatch: pytest.MonkeyPatch) -> list[bool]:
    """While it says so, each commit takes HANGS_S."""
    from pagereeve.store.sqlite.committing import Committer  # noqa: PLC0415 - for this test alone

    says = [False]
    plain: Callable[..., Any] = Committer.store

    def store(self: Committer, *args: Any, requests: Sequence[Any], **more: Any) -> Any:
        if says[0]:
            time.sleep(HANGS_S)
        return plain(self, *args, requests=requests, **more)

    monkeypatch.setattr(Committer, "store", store)
    return says


async def test_a_slow_store_is_told_before_its_queue_is_full_and_nothing_is_lost(
    tmp_path: Path, slow: list[bool]
) -> None:
    printers = [PrinterSettings(name="library", host="127.0.0.1", port=9)]
    settings = hasty_settings(tmp_path, printers, gateways=(GatewaySettings(name="gate"),))
    with structlog.testing.capture_logs() as lines:
        async with App(settings, first_reads_spread_s=0.0) as app, Outside(app) as outside:
            assert (await outside.started("before", "library", 1)).status_code == 200
            assert (await ready(outside)).get("notices") is None
            slow[0] = True
            held = asyncio.create_task(outside.started("held", "library", 1))
            await until(lambda: overloaded(outside), "the overload")
            slow[0] = False
            refused = await outside.started("refused", "library", 1)
            assert (refused.status_code, refused.json()["cause"]) == (503, "overloaded")
            assert 5 <= int(refused.headers["retry-after"]) <= 60
            assert 'pagereeve_overloaded{reason="write-wait"} 1' in (await outside.metrics()).replace("1.0", "1")
            assert app.store.health().queue_depth < 100
            gated = asyncio.create_task(outside.started("gated", "library", 1, Prefer="wait=5"))
            line = asyncio.create_task(
                app.intake.badge_line(BadgeLine("gate", "04A1B2C3", "lines", app.clock.now_us()))
            )
            assert [one.status_code for one in await asyncio.gather(held, gated)] == [200, 200]
            assert (await line).outcome == "stored"
            await until(lambda: overloaded(outside, yes=False), "the end of the overload")
            assert (await outside.started("refused", "library", 1)).status_code == 200
            started = [one.fact async for one in app.store.facts("library")]
            found = {getattr(one, "release", "") for one in started} - {""}
            assert {"before", "held", "gated", "refused"} <= found
    told = [one["event"] for one in lines if "asked than can be done" in one["event"]]
    assert len(told) == 2


async def ready(outside: Outside) -> dict[str, Any]:
    answer = await outside.client.get(f"{outside.url}/readyz")
    # Degraded, and not dead.
    assert answer.status_code == 200, answer.text
    members: dict[str, Any] = answer.json()
    return members


async def overloaded(outside: Outside, *, yes: bool = True) -> bool | None:
    notices = (await ready(outside)).get("notices", {})
    return True if ("overload" in notices) is yes else None
