"""What the answer to an event says, beside that it was stored."""

from __future__ import annotations

import json
import re
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest_asyncio

from pagereeve.app.daemon import App
from pagereeve.domain.facts.facts import ReleaseStarted
from pagereeve.settings import GatewaySettings, PrinterSettings
from tests.integration.daemon import Outside, hasty_settings

STARTED = "pagereeve.release.started.v1"


@pytest_asyncio.fixture
async def outside(tmp_path: Path) -> AsyncIterator[Outside]:
    """Printers that nobody answers for: what is said of an event needs no meter."""
    printers = [
        PrinterSettings(name=name, host="127.0.0.1", port=port, gateway="library-gw")
        for name, port in (("library-ground", 9), ("library-first", 7))
    ]
    settings = hasty_settings(tmp_path / "data", printers, gateways=(GatewaySettings(name="library-gw"),))
    async with App(settings, first_reads_spread_s=0.0) as app, Outside(app) as seen:
        yield seen


def start(**changes: Any) -> dict[str, Any]:
    data = {"release": "r-1", "job": "j", "owner": "user-anise", "printer": "library-ground"}
    return data | {"ticket": {"pages": 3}} | changes


def places(members: Any) -> list[str]:
    return [one["where"] for one in members]


async def test_bad_optional_members_cost_themselves_alone_and_are_told(outside: Outside) -> None:
    bad = {"pages": 3, "copies": 0, "sides": "both", "media": 7, "number_up": None, "pagse": 3}
    data = start(ticket=bad, queue=["a"], was="x" * 300, onwer="user-basil")
    answer = await outside.send(STARTED, "e-1", data)
    body = answer.json()
    assert (answer.status_code, body["outcome"]) == (200, "stored")
    left_out = [f"data.ticket.{name}" for name in ("copies", "sides", "media")]
    assert places(body["remarks"]) == ["data.queue", *left_out, "data.was", "data.ticket.pagse", "data.onwer"]
    assert "did you mean 'pages'?" in body["remarks"][-2]["detail"]
    assert "did you mean 'owner'?" in body["remarks"][-1]["detail"]
    (kept,) = [
        one.fact async for one in outside.app.store.facts("library-ground") if isinstance(one.fact, ReleaseStarted)
    ]
    assert kept.ticket.pages == 3
    assert kept.ticket.unknown == ("copies", "media", "number_up", "sides")
    text = await outside.metrics()
    assert re.search(r'^pagereeve_left_out_members_total\{member="data.ticket.copies"\} 1.0$', text, re.MULTILINE)
    assert re.search(r'^pagereeve_left_out_members_total\{member="unknown"\} 2.0$', text, re.MULTILINE)
    again = (await outside.post(json.dumps(outside.event(STARTED, "e-2", start(release="r-2"))).encode())).json()
    assert again == {"outcome": "stored"}


async def test_all_errors_of_an_event_are_told_at_once(outside: Outside) -> None:
    data = start(owner="", release=7, ticket={"pages": -1}, printre="x")
    answer = await outside.send(STARTED, "e-1", data)
    assert answer.status_code == 422
    problem = answer.json()
    assert problem["where"] == "data.release"
    assert places(problem["errors"]) == ["data.release", "data.owner", "data.ticket.pages", "data.printre"]
    assert all(len(one["detail"]) > 15 for one in problem["errors"])
    one_error = (await outside.send(STARTED, "e-2", start(owner=""))).json()
    assert "errors" not in one_error


async def test_a_bad_badge_is_left_out_and_nothing_of_it_is_repeated(outside: Outside) -> None:
    answer = await outside.send(STARTED, "e-1", start(badge="04A1B2C3" * 40))
    assert answer.status_code == 200
    assert places(answer.json()["remarks"]) == ["data.badge"]
    assert "04A1" not in answer.text
