"""``/v1/health``: the daemon's own answer, under the path of the questions."""

from __future__ import annotations

from httpx2 import ASGITransport, AsyncClient

from pagereeve.app.questions.own import with_health
from pagereeve.feeds.http.answers import HttpAnswer, Receive, Scope, Send, send_answer
from pagereeve.store.memory.journal import MemoryJournal
from tests.asking import asking
from tests.telemetry_stub import StubTelemetry


async def others(scope: Scope, _: Receive, send: Send) -> None:
    await send_answer(HttpAnswer(299, {"method": scope["method"]}), send)


async def test_each_part_that_does_not_work_is_named_with_why() -> None:
    stub = StubTelemetry()
    async with AsyncClient(transport=ASGITransport(app=with_health(others, stub)), base_url="http://here") as client:
        well = (await client.get("/v1/health")).json()
        assert (well["ready"], well["not_ready"]) == (True, {})
        stub.waiting["journal"] = "the disk is full"
        answer = await client.get("/v1/health")
        assert (answer.status_code, answer.json()["ready"]) == (200, False)
        assert answer.json()["not_ready"] == {"journal": "the disk is full"}
        assert answer.headers["etag"]
        assert (await client.head("/v1/health")).status_code == 200
        assert (await client.get("/v1/health?part=disk")).json()["where"] == "part"
        for elsewhere in (await client.get("/v1/releases"), await client.post("/v1/health")):
            assert elsewhere.status_code == 299


async def test_the_query_process_describes_it_and_does_not_guess() -> None:
    async with asking(MemoryJournal()) as client:
        document = (await client.get("/v1/openapi.json")).json()
        assert "get" in document["paths"]["/v1/health"]
        assert (await client.get("/v1/health")).status_code == 503
        refused = await client.post("/v1/health")
        assert (refused.status_code, refused.headers["allow"]) == (405, "GET")
