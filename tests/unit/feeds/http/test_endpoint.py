"""The HTTP endpoint, spoken to through an ASGI transport."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from typing import Any

import httpx2
import pytest

from pagereeve.feeds.http.callers import HttpCallers
from pagereeve.feeds.http.endpoint import EventsEndpoint, HttpLimits, WrongScope
from pagereeve.feeds.http.quotas import QuotaLimits
from pagereeve.feeds.testing import LoopClock, MemoryIntake
from pagereeve.ports.journal import JournalUnavailable
from tests.credentials import bearer, callers_of, credential, token_of

STRUCTURED = "application/cloudevents+json"
BATCH = "application/cloudevents-batch+json"
RELEASE = {"release": "r-1", "job": "j-1", "owner": "ann", "printer": "lib-1", "ticket": {"pages": 3}}


def event(**changes: Any) -> dict[str, Any]:
    members = {"specversion": "1.0", "id": "e-1", "source": "/release", "type": "pagereeve.release.started.v1"}
    return members | {"data": RELEASE} | changes


class Served:
    """An endpoint with its intake, and how a sender speaks to it."""

    def __init__(self, limits: HttpLimits | None = None, callers: HttpCallers | None = None) -> None:
        self.intake = MemoryIntake()
        self.endpoint = EventsEndpoint(self.intake, limits, clock=LoopClock(), callers=callers)

    async def send(self, content: Any, content_type: str = STRUCTURED, method: str = "POST", **headers: str) -> Any:
        body = content if isinstance(content, bytes) else json.dumps(content).encode()
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        transport = httpx2.ASGITransport(app=self.endpoint)
        async with httpx2.AsyncClient(transport=transport, base_url="http://reeve") as client:
            return await client.request(
                method, "/v1/events", content=body, headers={"content-type": content_type} | named
            )


def misbehave(error: Exception) -> Callable[[], Awaitable[None]]:
    async def before() -> None:
        raise error

    return before


async def hang() -> None:
    await asyncio.Event().wait()


def assert_problem(response: Any, status: int, reason: str, where: str) -> None:
    """RFC 9457: media type, and the status repeated in the body."""
    assert response.status_code == status
    assert response.headers["content-type"] == "application/problem+json"
    problem = response.json()
    assert problem["type"] == f"urn:pagereeve:problem:{reason}"
    assert (problem["status"], problem["where"]) == (status, where)


async def test_an_event_is_answered_once_it_is_stored() -> None:
    served = Served()
    response = await served.send(event())
    assert (response.status_code, response.json()) == (200, {"outcome": "stored"})
    assert response.headers["content-type"] == "application/json"
    assert served.intake.envelopes["/release", "e-1"].data == RELEASE
    assert served.endpoint.stats.events == {"stored": 1}


async def test_binary_mode_is_served_too() -> None:
    served = Served()
    names = {"ce_specversion": "1.0", "ce_id": "e%2D1", "ce_source": "/release", "ce_time": "2027-01-31T09:00:00Z"}
    response = await served.send(RELEASE, "application/json", ce_type="pagereeve.release.started.v1", **names)
    assert response.json() == {"outcome": "stored"}
    assert served.intake.envelopes["/release", "e-1"].time == "2027-01-31T09:00:00Z"


async def test_the_same_event_again_is_a_duplicate_and_with_other_data_a_conflict() -> None:
    served = Served()
    await served.send(event())
    assert (await served.send(event())).json() == {"outcome": "duplicate"}
    assert_problem(await served.send(event(data=RELEASE | {"job": "j-2"})), 409, "conflict", "id")
    assert served.endpoint.stats.events == {"stored": 1, "duplicate": 1, "conflict": 1}


@pytest.mark.parametrize("pages", ["-1", "true", "12.0", '"12"', "3.0e2"])
async def test_pages_that_are_no_whole_number_are_refused_by_name(pages: str) -> None:
    """metabrainz/listenbrainz-server#2388: NaN and Infinity."""
    served = Served()
    body = json.dumps(event()).replace('"pages": 3', f'"pages": {pages}').encode()
    assert_problem(await served.send(body), 422, "bad-member", "data.ticket.pages")


@pytest.mark.parametrize("pages", ["NaN", "1e400", "-Infinity"])
async def test_numbers_that_are_none_are_refused_and_kept_aside_masked(pages: str) -> None:
    """matrix-org/synapse#8106: NaN and Infinity."""
    served = Served()
    body = json.dumps(event()).replace('"pages": 3', f'"pages": {pages}').encode()
    response = await served.send(body)
    assert response.status_code == 400
    assert response.json()["where"].startswith("line 1, column ")
    (kept,) = served.intake.kept_aside
    assert (kept.reason, len(kept.sample)) == ("bad-json", min(len(body), 256))
    assert b"lib" not in kept.sample


@pytest.mark.parametrize("badge", ["", "04A1\u0000B2C3", 49174381, ["04A1B2C3"], "04A1B2C3" * 40])
async def test_a_refused_badge_number_is_not_repeated(badge: object) -> None:
    served = Served()
    data = {"badge": badge, "gateway": "gw-1"}
    response = await served.send(event(type="pagereeve.badge.presented.v1", data=data))
    assert_problem(response, 422, "bad-member", "data.badge")
    assert "04A1" not in response.text
    assert "4917" not in response.text


@pytest.mark.parametrize(
    ("content", "content_type", "status", "reason"),
    [
        (b"", STRUCTURED, 400, "bad-json"),
        (b"\xff\xfe", STRUCTURED, 400, "bad-json"),
        (b"[]", STRUCTURED, 400, "bad-cloudevent"),
        (b"{}", STRUCTURED, 400, "bad-cloudevent"),
        (b"{}", BATCH, 400, "bad-cloudevent"),
        (b"[", BATCH, 400, "bad-json"),
        (b"[" * 5000, BATCH, 400, "bad-json"),
        (b"{}", "application/json", 415, "wrong-media-type"),
        (b"a=1", "application/x-www-form-urlencoded", 415, "wrong-media-type"),
    ],
)
async def test_what_is_no_cloudevent_is_refused(content: bytes, content_type: str, status: int, reason: str) -> None:
    served = Served()
    response = await served.send(content, content_type)
    assert (response.status_code, response.json()["type"]) == (status, f"urn:pagereeve:problem:{reason}")
    assert served.endpoint.stats.refused == {reason: 1}
    assert len(served.intake.kept_aside) == 1


async def test_other_methods_and_codings_are_refused() -> None:
    served = Served()
    response = await served.send(b"", method="GET")
    assert_problem(response, 405, "wrong-method", "method")
    assert response.headers["allow"] == "POST"
    assert_problem(await served.send(event(), content_encoding="gzip"), 415, "wrong-media-type", "Content-Encoding")


async def test_a_body_beyond_the_limit_is_refused_by_its_length_or_as_it_comes() -> None:
    served = Served(HttpLimits(body_max_bytes=1000))
    assert_problem(await served.send(b"x" * 1001), 413, "too-large", "body")

    async def pieces() -> Any:
        for _ in range(100):
            yield b"x" * 100

    transport = httpx2.ASGITransport(app=served.endpoint)
    async with httpx2.AsyncClient(transport=transport, base_url="http://reeve") as client:
        response = await client.post("/", content=pieces(), headers={"content-type": STRUCTURED})
    assert_problem(response, 413, "too-large", "body")
    assert response.headers["connection"] == "close"
    assert served.endpoint.stats.bytes_in <= 1000


async def test_a_body_that_does_not_come_is_given_up() -> None:
    served = Served(HttpLimits(read_s=0.05))

    async def never() -> Any:
        yield b"{"
        await asyncio.sleep(5)

    transport = httpx2.ASGITransport(app=served.endpoint)
    async with httpx2.AsyncClient(transport=transport, base_url="http://reeve") as client:
        response = await client.post("/", content=never(), headers={"content-type": STRUCTURED})
    assert_problem(response, 408, "too-slow", "body")


@pytest.mark.parametrize(("authorization", "status"), [(None, 401), ("Bearer wrong", 401), (bearer("right"), 200)])
async def test_a_guarded_door_asks_for_a_token(authorization: str | None, status: int) -> None:
    served = Served(callers=callers_of(credential("right", "send")))
    response = await served.send(event(), **({"authorization": authorization} if authorization else {}))
    assert response.status_code == status
    assert ("www-authenticate" in response.headers) == (status == 401)
    assert token_of("right") not in response.text
    assert len(served.intake.envelopes) == (status == 200)


async def test_a_sender_beyond_its_quota_is_told_when_to_come_again_and_others_are_served() -> None:
    """RFC 6585 section 4: 429, with Retry-After."""
    limits = HttpLimits(quotas=QuotaLimits(requests_per_s=0.1, requests_burst=2, day_max_bytes=100.0))
    served = Served(limits, callers=callers_of(*(credential(name, "send") for name in ("first", "second", "third"))))
    assert (await served.send(event(), authorization=bearer("first"))).status_code == 200
    over = await served.send(event(id="e-2"), authorization=bearer("first"))
    assert_problem(over, 429, "over-quota", "sender")
    assert int(over.headers["retry-after"]) > 100_000
    fast = await served.send(event(id="e-3"), authorization=bearer("first"))
    assert_problem(fast, 429, "too-many-requests", "request")
    assert 1 <= int(fast.headers["retry-after"]) <= 10
    assert (await served.send(event(id="e-4"), authorization=bearer("second"))).status_code == 200
    for status in (401, 401, 429):
        assert (await served.send(event(id="e-5"), authorization="Bearer wrong")).status_code == status
    assert (await served.send(event(id="e-6"), authorization=bearer("third"))).status_code == 200
    assert served.endpoint.stats.refused == {"over-quota": 1, "too-many-requests": 2, "unauthorized": 2}


@pytest.mark.parametrize(
    ("prefer", "waited_s", "applied"),
    [("wait=5", 5, "wait=5"), ("wait=500", 30, "wait=30"), ("respond-async", None, None), ("wait=0", None, "wait=0")],
)
async def test_a_gated_release_says_how_long_it_would_wait(
    prefer: str, waited_s: int | None, applied: str | None
) -> None:
    """RFC 7240 section 3: Preference-Applied."""
    served = Served()
    response = await served.send(event(), prefer=prefer)
    assert response.headers.get("preference-applied") == applied
    assert served.intake.waits_s == [waited_s]
    assert response.json().get("reading") == ("in-hand" if waited_s else None)


async def test_a_full_disk_asks_the_sender_to_come_again() -> None:
    """apache/openwhisk-package-kafka#319: 503, and the retry is accepted once."""
    served = Served()
    served.intake.before = misbehave(JournalUnavailable("no room on /secret/path"))
    response = await served.send(event())
    assert_problem(response, 503, "journal-unavailable", "event")
    assert int(response.headers["retry-after"]) > 0
    assert "/secret" not in response.text
    served.intake.before = MemoryIntake().before
    assert (await served.send(event())).json() == {"outcome": "stored"}


async def test_an_intake_that_hangs_is_given_up_and_the_sender_told_to_come_again() -> None:
    served = Served(HttpLimits(answer_s=0.05))
    served.intake.before = hang
    assert_problem(await served.send(event()), 503, "journal-unavailable", "event")


async def test_an_error_of_our_own_is_answered_and_then_raised() -> None:
    served = Served()
    served.intake.before = misbehave(ZeroDivisionError("inside"))
    transport = httpx2.ASGITransport(app=served.endpoint, raise_app_exceptions=False)
    async with httpx2.AsyncClient(transport=transport, base_url="http://reeve") as client:
        for body, content_type in ((event(), STRUCTURED), ([event()], BATCH)):
            response = await client.post("/", json=body, headers={"content-type": content_type})
            assert_problem(response, 500, "internal", "event")
            assert "inside" not in response.text
    with pytest.raises(ExceptionGroup) as caught:
        await served.send(event())
    assert isinstance(caught.value.exceptions[0], ZeroDivisionError)
    assert served.endpoint.stats.requests_open == 0


async def test_a_refusal_is_told_even_if_it_can_not_be_kept_aside() -> None:
    served = Served()
    served.intake.before = misbehave(JournalUnavailable("closed"))
    assert (await served.send(b"{")).status_code == 400
    assert served.endpoint.stats.unkept == 1


async def test_a_batch_is_answered_item_by_item_in_order() -> None:
    served = Served()
    wrong = event(id="e-3", data=RELEASE | {"printer": 5})
    response = await served.send([event(), event(), event(id=""), wrong, event(data={**RELEASE, "job": "x"})], BATCH)
    assert response.status_code == 200
    results = response.json()["results"]
    assert [item["status"] for item in results] == [200, 200, 400, 422, 409]
    assert [item.get("outcome") for item in results] == ["stored", "duplicate", None, None, "conflict"]
    assert [item["id"] for item in results] == ["e-1", "e-1", "", "e-3", "e-1"]
    assert results[3]["problem"]["where"] == "data.printer"
    assert {item["source"] for item in results} == {"/release"}


async def test_an_empty_batch_is_answered_and_a_long_one_refused() -> None:
    served = Served()
    assert (await served.send([], BATCH)).json() == {"results": []}
    assert_problem(await served.send([0] * 1001, BATCH), 413, "too-large", "body")


async def test_a_batch_that_was_not_stored_in_whole_is_to_be_sent_again() -> None:
    served = Served()
    calls = iter(range(100))

    async def second_fails() -> None:
        if next(calls) == 1:
            raise JournalUnavailable("full")

    served.intake.before = second_fails
    batch = [event(id=f"e-{number}") for number in range(3)]
    response = await served.send(batch, BATCH)
    assert_problem(response, 503, "journal-unavailable", "event")
    assert "retry-after" in response.headers
    assert [item["status"] for item in response.json()["results"]] == [200, 503, 200]
    again = (await served.send(batch, BATCH)).json()["results"]
    assert [item["outcome"] for item in again] == ["duplicate", "stored", "duplicate"]


async def test_a_batch_is_taken_many_at_a_time_but_not_all() -> None:
    served = Served(HttpLimits(batch_at_once=8))
    running = most = 0

    async def count() -> None:
        nonlocal running, most
        running += 1
        most = max(most, running)
        await asyncio.sleep(0.001)
        running -= 1

    served.intake.before = count
    response = await served.send([event(id=f"e-{number}") for number in range(50)], BATCH)
    assert [item["id"] for item in response.json()["results"]] == [f"e-{number}" for number in range(50)]
    assert most == 8


async def test_requests_and_their_bytes_are_bounded() -> None:
    served = Served(HttpLimits(requests_max=2, answer_s=5))
    release = asyncio.Event()

    async def wait() -> None:
        await release.wait()

    served.intake.before = wait
    held = [asyncio.create_task(served.send(event(id=f"e-{number}"))) for number in range(2)]
    await asyncio.sleep(0.05)
    shown = served.endpoint.stats.telemetry()
    assert (shown.requests_open, shown.requests_max) == (2, 2)
    assert_problem(await served.send(event(id="e-9")), 503, "over-capacity", "request")
    release.set()
    assert [(await task).status_code for task in held] == [200, 200]
    small = Served(HttpLimits(held_max_bytes=10))
    for _ in range(2):
        assert_problem(await small.send(event()), 503, "over-capacity", "body")
    roomy = Served(HttpLimits(held_max_bytes=2 * len(json.dumps(event()))))
    assert [(await roomy.send(event())).status_code for _ in range(5)] == [200] * 5


async def test_a_sender_that_hangs_up_is_counted_and_nothing_is_stored() -> None:
    served = Served()
    messages = iter([{"type": "http.request", "body": b"{", "more_body": True}, {"type": "http.disconnect"}])

    async def receive() -> Any:
        return next(messages)

    async def send(message: Any) -> None:
        raise AssertionError(f"nobody is there to hear {message}")

    scope = {"type": "http", "method": "POST", "headers": [(b"content-type", STRUCTURED.encode())]}
    await served.endpoint(scope, receive, send)
    assert served.endpoint.stats.clients_gone == 1
    assert not served.intake.envelopes
    with pytest.raises(WrongScope):
        await served.endpoint({"type": "websocket"}, receive, send)
