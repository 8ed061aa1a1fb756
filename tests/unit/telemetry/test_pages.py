"""The web side: events pass through untouched, and the pages for machines say what is so."""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import MutableMapping
from dataclasses import replace
from typing import Any

import pytest
from httpx2 import ASGITransport, AsyncClient, Response

from pagereeve.ports.journal import HINDRANCES, JournalUnavailable
from pagereeve.ports.telemetry import ClockTelemetry, ProcessTelemetry
from pagereeve.telemetry.pages import Receive, Scope, Send, make_web, takes_gzip
from tests.telemetry_stub import GOES, PROCESS, StubTelemetry


class Counting(StubTelemetry):
    """How often figures were taken."""

    taken = 0

    def process(self) -> ProcessTelemetry:
        self.taken += 1
        return super().process()


async def events_app(scope: Scope, receive: Receive, send: Send) -> None:
    await receive()
    headers = [(b"content-type", b"text/plain")]
    await send({"type": "http.response.start", "status": 299, "headers": headers})
    await send({"type": "http.response.body", "body": scope["method"].encode()})


async def ask(path: str, telemetry: StubTelemetry | None = None, method: str = "GET") -> Response:
    telemetry = telemetry or StubTelemetry()
    web = make_web(events_app, telemetry, telemetry)
    async with AsyncClient(transport=ASGITransport(app=web), base_url="http://invented") as client:
        return await client.request(method, path)


async def test_events_go_to_their_own_application_whatever_the_method() -> None:
    for method in ("POST", "GET"):
        answer = await ask("/v1/events", method=method)
        assert (answer.status_code, answer.text) == (299, method)


async def test_metrics_are_served_as_the_text_format() -> None:
    answer = await ask("/metrics")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    assert "pagereeve_journal_up 1.0" in answer.text


async def test_the_first_page_says_where_things_are_and_each_is_there() -> None:
    page = await ask("/")
    assert (page.status_code, page.headers["content-type"]) == (200, "text/plain; charset=utf-8")
    paths = re.findall(r"GET +(/\S+)", page.text)
    assert {"/readyz", "/healthz", "/metrics"} <= set(paths)
    assert [
        path for path in paths if path not in {"/v1/seal", "/v1/openapi.json"} and (await ask(path)).status_code != 200
    ] == []


async def test_health_says_that_the_process_answers() -> None:
    telemetry = StubTelemetry(waiting={"journal": "closed"})
    answer = await ask("/healthz", telemetry)
    assert (answer.status_code, answer.json()) == (200, {"alive": True})


async def test_ready_when_every_part_is() -> None:
    answer = await ask("/readyz")
    assert (answer.status_code, answer.json()) == (200, {"ready": True, "not_ready": {}, "clock": GOES})


async def test_not_ready_names_the_part_and_the_reason() -> None:
    answer = await ask("/readyz", StubTelemetry(waiting={"start": "", "journal": "the disk is full"}))
    assert answer.status_code == 503
    assert json.loads(answer.text) == {"ready": False, "not_ready": {"journal": "the disk is full"}, "clock": GOES}
    assert answer.headers["cache-control"] == "no-store"


async def test_a_notice_stands_beside_what_works() -> None:
    answer = await ask("/readyz", StubTelemetry(noticed={"reload": "line 3 is no TOML"}))
    assert answer.status_code == 200
    assert answer.json() == {
        "ready": True,
        "not_ready": {},
        "notices": {"reload": "line 3 is no TOML"},
        "clock": GOES,
    }


async def test_it_is_said_by_how_much_the_clock_differs_from_the_dates() -> None:
    off = replace(PROCESS, clock=ClockTelemetry(1, -3_599_600_000, agreed=False))
    assert (await ask("/readyz", StubTelemetry(own=off))).json()["clock"] == {"ahead_s": -3600, "agreed": False}


async def test_what_is_not_served_here_is_refused() -> None:
    assert (await ask("/nowhere")).status_code == 404
    assert (await ask("/metrics", method="POST")).status_code == 405


async def test_many_scrapes_at_once_all_get_an_answer() -> None:
    telemetry = StubTelemetry()
    web = make_web(events_app, telemetry, telemetry)
    async with AsyncClient(transport=ASGITransport(app=web), base_url="http://invented") as client:
        answers = await asyncio.gather(*(client.get("/metrics") for _ in range(20)))
    assert {answer.status_code for answer in answers} == {200}


async def test_scrapes_that_wait_share_a_rendering_whose_figures_are_younger_than_their_question() -> None:
    telemetry = Counting()
    web = make_web(events_app, telemetry, telemetry)
    async with AsyncClient(transport=ASGITransport(app=web), base_url="http://invented") as client:
        await asyncio.gather(*(client.get("/metrics") for _ in range(20)))
        crowd = telemetry.taken
        await client.get("/metrics")
        await client.get("/metrics")
    assert crowd <= 3
    assert telemetry.taken == crowd + 2


async def test_a_websocket_on_the_events_path_does_not_reach_the_events() -> None:
    sent: list[MutableMapping[str, Any]] = []
    telemetry = StubTelemetry()

    async def receive() -> MutableMapping[str, Any]:
        return {"type": "websocket.connect"}

    async def send(message: MutableMapping[str, Any]) -> None:
        sent.append(message)

    scope = {"type": "websocket", "path": "/v1/events", "headers": [], "subprotocols": [], "query_string": b""}
    await make_web(events_app, telemetry, telemetry)(scope, receive, send)
    assert [message["type"] for message in sent] == ["websocket.close"]


@pytest.mark.parametrize(
    ("accepted", "expected"),
    [
        ("gzip", True),
        ("deflate, GZIP;q=0.5", True),
        ("x-gzip", True),
        ("gzip;q=0", False),
        ("gzip; q=0.000", False),
        ("identity", False),
        ("*", False),
        ("", False),
        ("notgzip", False),
    ],
)
def test_gzip_is_sent_to_whoever_names_it(accepted: str, expected: bool) -> None:
    assert takes_gzip(accepted) == expected


async def test_the_seal_is_shown_where_there_is_one_and_says_when_it_cant_be_read() -> None:
    async def seal() -> dict[str, object]:
        return {"size": 7, "head": "ab"}

    async def gone() -> dict[str, object]:
        raise JournalUnavailable("/secret/path is gone", "files-gone")

    assert (await ask("/v1/seal")).status_code == 404
    telemetry = StubTelemetry()
    for source, status, members in (
        (seal, 200, {"size": 7, "head": "ab"}),
        (gone, 503, {"trouble": HINDRANCES["files-gone"]}),
    ):
        web = make_web(events_app, telemetry, telemetry, seal=source)
        async with AsyncClient(transport=ASGITransport(app=web), base_url="http://invented") as client:
            answer = await client.get("/v1/seal")
        assert (answer.status_code, answer.json()) == (status, members)
