"""What is refused is freed at once: a flood that left cycles for the collector stopped the loop for 200 ms."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from typing import Any

import pytest

from pagereeve.domain.credentials.book import Credential, CredentialBook
from pagereeve.domain.credentials.callers import Caller
from pagereeve.domain.credentials.tokens import digest_of
from pagereeve.feeds.http.callers import HttpCallers
from pagereeve.feeds.http.endpoint import EventsEndpoint
from pagereeve.feeds.testing import LoopClock, MemoryIntake

TOKEN = b"an-invented-token-of-the-desk"
JSON = (b"content-type", b"application/cloudevents+json")
KNOWN = (b"authorization", b"Bearer " + TOKEN)
DECIDED = b'{"specversion":"1.0","id":"d","source":"/s","type":"pagereeve.finding.decided.v1","data":{}}'
SIGNED = ((b"webhook-id", b"m-1"), (b"webhook-timestamp", b"0"), (b"webhook-signature", b"v1,AAAA"))
TIMES = 50


@pytest.fixture
def no_collector() -> Iterator[None]:
    gc.collect()
    gc.disable()
    yield
    gc.enable()


@pytest.mark.usefixtures("no_collector")
@pytest.mark.parametrize(
    ("status", "headers", "body"),
    [
        (401, (JSON,), b"{}"),
        (401, (JSON, (b"authorization", b"Bearer wrong")), b"{}"),
        (401, (JSON, (b"authorization", b"Basic wrong")), b"{}"),
        (401, (JSON, *SIGNED), b"{}"),
        (403, (JSON, KNOWN), DECIDED),
        (400, (JSON, KNOWN), b"no JSON"),
        (415, ((b"content-type", b"text/plain"), KNOWN), b"{}"),
    ],
)
async def test_a_refused_request_leaves_nothing_to_collect(
    status: int, headers: tuple[tuple[bytes, bytes], ...], body: bytes
) -> None:
    caller = Caller("desk", frozenset({"send"}))
    signer = Credential(Caller("signer", frozenset({"send"})), key=b"k" * 32)
    book = CredentialBook([Credential(caller, digest=digest_of(TOKEN)), signer])
    endpoint = EventsEndpoint(MemoryIntake(), clock=LoopClock(), callers=HttpCallers(lambda: 0, book))
    answers: list[int] = []

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": body, "more_body": False}

    async def send(message: Any) -> None:
        answers.append(message.get("status", 0))

    async def asked() -> None:
        scope = {"type": "http", "method": "POST", "path": "/v1/events", "client": ("192.0.2.9", 1)}
        await endpoint({**scope, "headers": list(headers)}, receive, send)

    await asked()
    gc.collect()
    for _ in range(TIMES):
        await asked()
    assert gc.collect() < TIMES
    assert set(answers) == {0, status}
