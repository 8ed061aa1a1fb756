"""The journal's database goes away while the daemon works: what each door says meanwhile, and what is there then."""

from __future__ import annotations

import asyncio
import json
import time
from functools import partial

import httpx2

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.values.instants import to_text
from pagereeve.store.postgres.writer import LOST_S
from tests.integration.away import PRINTER, Site, back, gone
from tests.integration.daemon import Outside, until
from tests.integration.postgres_server import Server

AT_ONCE_S = 2.0
STARTED = "pagereeve.release.started.v1"
DATA = {"release": "B", "job": "job-B", "owner": "user-anise", "printer": PRINTER}


def require_told(answer: httpx2.Response, *, cause: bool = True) -> None:
    """503, when to come again, and a problem document (RFC 9110 section 15.6.4, RFC 9457)."""
    problem = answer.json()
    assert (answer.status_code, problem["status"]) == (503, 503), answer.text
    assert problem["type"] == "urn:pagereeve:problem:journal-unavailable"
    assert "the database of the journal is away" in problem["detail"]
    assert 1 <= int(answer.headers["retry-after"]) <= 60
    assert answer.headers["content-type"] == "application/problem+json"
    assert not cause or problem["cause"] == "away"


async def test_every_door_that_acknowledges_says_503_and_when_to_come_again(server: Server, place: Site) -> None:
    async with place.running() as (app, outside):
        assert (await outside.started("A", PRINTER, 5)).status_code == 200
        server.stop()
        began_s = time.monotonic()
        require_told(await outside.started("B", PRINTER, 5))
        # The first that comes is waited for: the server may only restart.
        assert time.monotonic() - began_s < 4 * LOST_S
        trouble = await gone(app)
        assert trouble.startswith("the database of the journal is away since 2")
        began_s = time.monotonic()
        for wait in ({}, {"Prefer": "wait=10"}, {"Prefer": "wait=10, rest"}):
            answer = await outside.started("B", PRINTER, 5, **wait)
            require_told(answer)
            assert "preference-applied" not in answer.headers
        batch = [outside.event(STARTED, "x", {}), outside.event(STARTED, "B.started", DATA)]
        require_told(await outside.post(json_of(batch), "application/cloudevents-batch+json"))
        require_told(await decided(outside), cause=False)
        require_told(await outside.client.get(f"{outside.url}/v1/totals"), cause=False)
        ready = await outside.client.get(f"{outside.url}/readyz")
        assert (ready.status_code, ready.json()["not_ready"]["journal"]) == (503, trouble)
        assert 'pagereeve_journal_hindered{reason="away"} 1.0' in await outside.metrics()
        # A person waits for pages: nobody of these waited for one connection after another to be refused.
        assert time.monotonic() - began_s < 4 * AT_ONCE_S
        server.start()
        await back(app)
        now = to_text(SystemClock().now_us())

        async def sent() -> str | None:
            # Right after an outage there may be more than is taken at once.
            answer = await outside.send(STARTED, "B.started", DATA, now)
            return answer.json()["outcome"] if answer.status_code == 200 else None

        assert [await until(sent, "an answer") for _ in range(2)] == ["stored", "duplicate"]
        assert place.stored(STARTED) == ["A.started", "B.started"]


async def test_what_was_acknowledged_before_the_server_died_is_there_once(server: Server, place: Site) -> None:
    acknowledged: set[str] = set()
    async with place.running() as (app, outside):

        async def send(lane: int) -> None:
            for nth in range(25):
                name = f"{lane}-{nth}"
                await until(partial(stored, outside, name), f"{name} to be acknowledged")
                acknowledged.add(f"{name}.started")

        sending = asyncio.gather(*(send(lane) for lane in range(4)))
        while len(acknowledged) < 20:  # noqa: ASYNC110 - it has no event
            await asyncio.sleep(0.01)
        server.stop()
        before = set(acknowledged)
        await gone(app)
        server.start()
        assert before <= set(place.stored(STARTED))
        await sending
    assert sorted(place.stored(STARTED)) == sorted(acknowledged)
    assert len(acknowledged) == 100


async def stored(outside: Outside, name: str) -> bool | None:
    return (await outside.started(name, "elsewhere", 5)).status_code == 200 or None


def json_of(events: object) -> bytes:
    return json.dumps(events).encode()


async def decided(outside: Outside) -> httpx2.Response:
    """At the local socket, as whoever runs the daemon."""
    transport = httpx2.AsyncHTTPTransport(uds=str(outside.app.settings.local_socket_path))
    async with httpx2.AsyncClient(transport=transport, base_url="http://local", timeout=15.0) as client:
        return await client.post("/v1/findings/f-nothing/decision", json={"action": "close", "text": "seen"})
