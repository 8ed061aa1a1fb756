"""Every act against every type of event and every path, through the endpoint: what was given is allowed, and nothing
else.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any, Final

import httpx2
import pytest
from standardwebhooks.webhooks import Webhook

from pagereeve.domain.credentials.book import Credential, CredentialBook, Failure
from pagereeve.domain.credentials.callers import ACTS, Act, Caller
from pagereeve.domain.facts.events import EVENT_TYPES
from pagereeve.feeds.http.answers import CALLER
from pagereeve.feeds.http.callers import HttpCallers
from pagereeve.feeds.http.endpoint import SIGNED_MAX_BYTES, EventsEndpoint, HttpLimits
from pagereeve.feeds.http.guarding import guarded_pages
from pagereeve.feeds.http.quotas import QuotaLimits
from pagereeve.feeds.testing import LoopClock, MemoryIntake
from pagereeve.telemetry.pages import make_web
from tests.credentials import KEY, NOW_US, SECRET, bearer, callers_of, credential, one_for_each_act, token_of
from tests.telemetry_stub import StubTelemetry

STRUCTURED: Final = "application/cloudevents+json"
BATCH: Final = "application/cloudevents-batch+json"
BADGE, STARTED, ENDED, NOTED, READ, DECIDED, PAGES = (one.kind for one in EVENT_TYPES)
NEEDED: Final = {one.kind: one.act for one in EVENT_TYPES}
DATA: Final[Mapping[str, dict[str, Any]]] = {
    BADGE: {"badge": "04A1B2C3", "gateway": "gw-1"},
    STARTED: {"release": "r-1", "job": "j-1", "owner": "ann", "printer": "lib-1"},
    ENDED: {"release": "r-1", "outcome": "completed"},
    NOTED: {"printer": "lib-1", "note": "moved"},
    READ: {"printer": "lib-1", "channel": "total", "figure": 48_211, "read": "2026-11-30T16:00:00Z"},
    DECIDED: {"finding": "f-1", "action": "close"},
    PAGES: {
        "act": "waive",
        "pages": 3,
        "reason": "jam",
        "channel": "total",
        "release_source": "/server",
        "release_id": "r-1",
    },
}
MODES: Final = ("structured", "binary", "batch")
PATHS: Final = ("/metrics", "/healthz", "/readyz", "/v1/events", "/v1/nowhere", "/", "/docs", "//metrics", "/metrics/")
PAST: Final = (
    credential("expired", *ACTS, expires_us=NOW_US - 1),
    credential("revoked", *ACTS, revoked_us=NOW_US - 1),
)


class Site:
    """The whole of the daemon's HTTP side over an intake in memory, as app/daemon.py puts it together."""

    def __init__(self, callers: HttpCallers, limits: HttpLimits | None = None, waiting: str = "") -> None:
        self.intake = MemoryIntake()
        self.callers = callers
        self.endpoint = EventsEndpoint(self.intake, limits, clock=LoopClock(), callers=callers)
        telemetry = StubTelemetry(waiting={"journal": waiting})
        stats = self.endpoint.stats
        self.web = make_web(self.endpoint, telemetry, telemetry, lambda pages: guarded_pages(pages, callers, stats))

    async def ask(self, method: str, path: str, content: bytes = b"", **headers: str) -> httpx2.Response:
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        transport = httpx2.ASGITransport(app=self.web)
        async with httpx2.AsyncClient(transport=transport, base_url="http://reeve") as client:
            return await client.request(method, f"http://reeve{path}", content=content, headers=named)

    async def send(self, kind: str, mode: str, **headers: str) -> dict[str, Any]:
        """The status and the problem of one event, however it was sent."""
        body, more = written(kind, mode)
        answer = await self.ask("POST", "/v1/events", body, **more, **headers)
        members = answer.json()
        if mode == "batch" and answer.status_code == 200:
            (result,) = members["results"]
            return {"status": result["status"], **result.get("problem", {})}
        return {"challenge": answer.headers.get("www-authenticate"), **members, "status": answer.status_code}


def event(kind: str, **changes: Any) -> dict[str, Any]:
    return {"specversion": "1.0", "id": "e-1", "source": "/desk", "type": kind, "data": DATA[kind]} | changes


def written(kind: str, mode: str) -> tuple[bytes, dict[str, str]]:
    if mode == "binary":
        attributes = {"ce_specversion": "1.0", "ce_id": "e-1", "ce_source": "/desk", "ce_type": kind}
        return json.dumps(DATA[kind]).encode(), {"content_type": "application/json", **attributes}
    if mode == "batch":
        return json.dumps([event(kind)]).encode(), {"content_type": BATCH}
    return json.dumps(event(kind)).encode(), {"content_type": STRUCTURED}


def signed(body: bytes, at_us: int = NOW_US, secret: str = SECRET) -> dict[str, str]:
    at = datetime.fromtimestamp(at_us / 1_000_000, tz=UTC)
    signature = Webhook(secret).sign("msg_1", at, body.decode())
    return {"webhook_id": "msg_1", "webhook_timestamp": str(int(at.timestamp())), "webhook_signature": signature}


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("kind", DATA)
@pytest.mark.parametrize("act", ACTS)
async def test_each_act_sends_its_own_types_and_no_other(act: Act, kind: str, mode: str) -> None:
    site = Site(callers_of(*one_for_each_act()))
    needed = NEEDED[kind]
    said = await site.send(kind, mode, authorization=bearer(f"may-{act}"))
    if act == needed:
        assert said["status"] == 200
        assert len(site.intake.envelopes) == 1
        return
    assert (said["status"], said["type"]) == (403, "urn:pagereeve:problem:forbidden")
    assert (said["where"], said["cause"]) == ("type", needed)
    assert f"{kind} needs the act {needed}; the credential may-{act} has {act}" in said["detail"]
    if mode != "batch":
        # RFC 6750 section 3.1
        assert said["challenge"] == f'Bearer realm="pagereeve", error="insufficient_scope", scope="{needed}"'
    assert not site.intake.envelopes
    assert site.endpoint.stats.refused == {"forbidden": 1}


@pytest.mark.parametrize("mode", ["structured", "batch"])
@pytest.mark.parametrize("kind", DATA)
@pytest.mark.parametrize("act", ACTS)
async def test_so_does_each_act_of_a_sender_that_signs(act: Act, kind: str, mode: str) -> None:
    site = Site(callers_of(credential("signer", act, key=KEY)))
    needed = NEEDED[kind]
    said = await site.send(kind, mode, **signed(written(kind, mode)[0]))
    assert said["status"] == (200 if act == needed else 403)
    assert len(site.intake.envelopes) == (act == needed)


@pytest.mark.parametrize("mode", MODES)
async def test_a_released_servers_token_can_not_explain_findings_away(mode: str) -> None:
    site = Site(callers_of(credential("release-server", "send", "note")))
    token = bearer("release-server")
    assert (await site.send(STARTED, mode, authorization=token))["status"] == 200
    said = await site.send(DECIDED, mode, authorization=token)
    assert said["status"] == 403
    assert "needs the act decide; the credential release-server has send note" in said["detail"]
    assert [one.type for one in site.intake.envelopes.values()] == [STARTED]


@pytest.mark.parametrize(("pages_max", "status"), [(None, 200), (3, 200), (2, 403)])
@pytest.mark.parametrize("mode", MODES)
async def test_a_credential_decides_on_so_many_pages_at_most(mode: str, pages_max: int | None, status: int) -> None:
    known = credential("accounting", "decide")
    site = Site(callers_of(replace(known, caller=replace(known.caller, pages_max=pages_max))))
    said = await site.send(PAGES, mode, authorization=bearer("accounting"))
    assert said["status"] == status
    if status == 403:
        assert "is more than the credential accounting may decide at once (2, pages_max" in said["detail"]
    assert len(site.intake.envelopes) == (status == 200)


async def test_a_batch_is_refused_member_by_member_and_says_which() -> None:
    site = Site(callers_of(credential("release-server", "send")))
    items = [event(kind, id=f"e-{number}") for number, kind in enumerate(DATA)]
    body = json.dumps(items).encode()
    authorization = bearer("release-server")
    answer = await site.ask("POST", "/v1/events", body, content_type=BATCH, authorization=authorization)
    results = answer.json()["results"]
    assert [one["status"] for one in results] == [200, 200, 200, 403, 403, 403, 403]
    assert [one["id"] for one in results] == ["e-0", "e-1", "e-2", "e-3", "e-4", "e-5", "e-6"]
    assert [one["problem"]["cause"] for one in results[3:]] == ["note", "note", "decide", "decide"]
    assert [one["problem"]["where"] for one in results[3:]] == ["type"] * 4


@pytest.mark.parametrize(
    ("limits", "where"),
    [
        ({"sources": frozenset({"/elsewhere"})}, "source"),
        ({"sources": frozenset({"/desk"})}, None),
        ({"types": frozenset({ENDED})}, "type"),
        ({"types": frozenset({STARTED})}, None),
    ],
)
@pytest.mark.parametrize("mode", MODES)
async def test_a_credential_speaks_for_its_own_sources_and_types(
    limits: dict[str, frozenset[str]], where: str | None, mode: str
) -> None:
    site = Site(callers_of(credential("desk", "send", **limits)))
    said = await site.send(STARTED, mode, authorization=bearer("desk"))
    assert (said["status"], said.get("where")) == ((200, None) if where is None else (403, where))


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("kind", [NOTED, DECIDED, PAGES])
async def test_the_author_is_the_credentials_holder(kind: str, mode: str) -> None:
    site = Site(callers_of(credential("warden", "note", "decide")))
    assert (await site.send(kind, mode, authorization=bearer("warden")))["status"] == 200
    (stored,) = site.intake.envelopes.values()
    assert stored.data == {**DATA[kind], "by": "warden"}


@pytest.mark.parametrize("kind", [NOTED, DECIDED, PAGES])
@pytest.mark.parametrize("by", ["head-of-accounting", "warden", "", None, 5])
async def test_whoever_names_an_author_is_refused_even_where_it_is_right(kind: str, by: object) -> None:
    site = Site(callers_of(credential("warden", "note", "decide")))
    body = json.dumps(event(kind, data=DATA[kind] | {"by": by})).encode()
    authorization = bearer("warden")
    answer = await site.ask("POST", "/v1/events", body, content_type=STRUCTURED, authorization=authorization)
    assert (answer.status_code, answer.json()["where"]) == (422, "data.by")
    assert "leave it out" in answer.json()["detail"]
    assert not site.intake.envelopes


@pytest.mark.parametrize("mode", MODES)
async def test_where_no_credential_was_ever_made_all_but_decisions_come_in_without_an_author(mode: str) -> None:
    site = Site(callers_of())
    for kind in (BADGE, STARTED, ENDED, NOTED):
        site.intake.envelopes.clear()
        assert (await site.send(kind, mode))["status"] == 200
        (stored,) = site.intake.envelopes.values()
        assert "by" not in stored.data
    site.intake.envelopes.clear()
    said = await site.send(DECIDED, mode)
    assert (said["status"], said["cause"]) == (403, "decide")
    assert "who shows no credential has send note" in said["detail"]
    assert not site.intake.envelopes
    assert (await site.ask("GET", "/metrics")).status_code == 200


def shown(how: str) -> dict[str, str]:
    """What a request shows: nothing, what is wrong, what was right once, or one act's token."""
    known: dict[str, dict[str, str]] = {
        "nothing": {},
        "wrong": {"authorization": bearer("nobody")},
        "expired": {"authorization": bearer("expired")},
        "revoked": {"authorization": bearer("revoked")},
        "basic": {"authorization": f"Basic {token_of('may-read')}"},
        "bare": {"authorization": token_of("may-read")},
        "empty": {"authorization": "Bearer "},
        "long": {"authorization": f"Bearer {'x' * 8_000}"},
    }
    return known.get(how, {"authorization": bearer(f"may-{how}")})


FAILURES: Final[Mapping[str, Failure]] = {
    "nothing": "missing",
    "wrong": "unknown",
    "expired": "expired",
    "revoked": "revoked",
    "basic": "malformed",
    "bare": "malformed",
    "empty": "malformed",
    "long": "unknown",
}


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize("how", [*FAILURES, *ACTS])
async def test_what_each_path_answers_to_what_is_shown(how: str, path: str) -> None:
    site = Site(callers_of(*one_for_each_act(), *PAST), waiting="the disk is full")
    answer = await site.ask("GET", path, b"", **shown(how))
    status, body = answer.status_code, answer.text
    if path in {"/healthz", "/readyz"}:
        assert status == (200 if path == "/healthz" else 503)
        assert ("the disk is full" in body) == (path == "/readyz" and how == "read")
        return
    assert "the disk is full" not in body
    assert "pagereeve_" not in body or (path, how) == ("/metrics", "read")
    if path == "/v1/events":
        assert status == 405
    elif how in FAILURES:
        assert status == 401
        assert site.endpoint.stats.attempts_failed == {FAILURES[how]: 1}
        assert answer.headers["www-authenticate"].startswith('Bearer realm="pagereeve"')
        assert ("invalid_token" in answer.headers["www-authenticate"]) == (
            FAILURES[how] in {"unknown", "expired", "revoked"}
        )
    elif how != "read":
        assert status == 403
        assert 'scope="read"' in answer.headers["www-authenticate"]
    else:
        assert status == {"/metrics": 200, "/": 200}.get(path, 404) or (path, status) == ("/metrics/", 307)


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("how", FAILURES)
async def test_an_event_of_nobody_is_refused_counted_and_nothing_of_it_repeated(how: str, mode: str) -> None:
    site = Site(callers_of(*one_for_each_act(), *PAST))
    said = await site.send(STARTED, mode, **shown(how))
    assert (said["status"], said["cause"]) == (401, FAILURES[how])
    assert token_of("")[:10] not in json.dumps(said)
    assert not site.intake.envelopes
    assert site.endpoint.stats.telemetry().attempts_failed[FAILURES[how]] == 1
    assert site.endpoint.stats.refused == {"unauthorized": 1}


@pytest.mark.parametrize("where", ["authorization", "webhook-id", "webhook-timestamp", "webhook-signature"])
async def test_what_is_shown_twice_counts_for_nothing(where: str) -> None:
    """Which of two a proxy before us looked at, nobody knows."""
    site = Site(callers_of(credential("a", "send"), credential("signer", "send", key=KEY)))
    body = json.dumps(event(STARTED)).encode()
    right = {"authorization": bearer("a")} if where == "authorization" else signed(body)
    headers = [(name.replace("_", "-"), value) for name, value in right.items()]
    twice = next(one for one in headers if one[0] == where)
    transport = httpx2.ASGITransport(app=site.web)
    async with httpx2.AsyncClient(transport=transport, base_url="http://reeve") as client:
        whole = [("content-type", STRUCTURED), *headers]
        assert (await client.post("/v1/events", content=body, headers=whole)).status_code == 200
        answer = await client.post("/v1/events", content=body, headers=[*whole, twice])
    assert (answer.status_code, answer.json()["cause"]) == (401, "malformed")


async def test_a_request_that_is_sent_again_changes_nothing() -> None:
    """Within the tolerance a signature holds more than once; the event's own identity makes that harmless."""
    site = Site(callers_of(credential("signer", "send", key=KEY)))
    headers = signed(written(STARTED, "structured")[0])
    first, again = [await site.send(STARTED, "structured", **headers) for _ in range(2)]
    assert (first["outcome"], again["outcome"]) == ("stored", "duplicate")


async def test_what_is_not_signed_can_not_be_changed_under_a_signature() -> None:
    """In binary mode source, id and type are headers, and no signature covers them."""
    site = Site(callers_of(credential("signer", "send", key=KEY)))
    headers = signed(written(STARTED, "binary")[0])
    said = await site.send(STARTED, "binary", **headers)
    assert (said["status"], said["where"]) == (415, "Content-Type")
    assert "ce-* headers" in said["detail"]
    assert not site.intake.envelopes


@pytest.mark.parametrize(
    ("changes", "failure"),
    [
        ({"webhook_signature": "v1,AAAA"}, "bad-signature"),
        ({"webhook_signature": ""}, "malformed"),
        ({"webhook_id": "msg_2"}, "bad-signature"),
        ({"webhook_timestamp": "0"}, "stale"),
        ({"webhook_timestamp": "yesterday"}, "malformed"),
    ],
)
async def test_a_signature_that_is_none_is_refused_by_its_reason(changes: dict[str, str], failure: str) -> None:
    site = Site(callers_of(credential("signer", "send", key=KEY)))
    said = await site.send(STARTED, "structured", **signed(written(STARTED, "structured")[0]) | changes)
    assert (said["status"], said["cause"], said["where"]) == (401, failure, "webhook-signature")
    assert site.endpoint.stats.attempts_failed == {failure: 1}


@pytest.mark.parametrize("missing", ["webhook_id", "webhook_timestamp", "webhook_signature"])
async def test_all_three_headers_of_a_signature_are_needed(missing: str) -> None:
    site = Site(callers_of(credential("signer", "send", key=KEY)))
    headers = signed(written(STARTED, "structured")[0])
    del headers[missing]
    assert (await site.send(STARTED, "structured", **headers))["cause"] == "malformed"


async def test_a_signer_reads_nothing_by_its_signature() -> None:
    site = Site(callers_of(credential("signer", "read", key=KEY)))
    answer = await site.ask("GET", "/metrics", b"", **signed(b""))
    assert (answer.status_code, answer.json()["where"]) == (401, "Authorization")


async def test_guessing_signatures_of_long_bodies_costs_the_guesser_what_it_costs_us() -> None:
    limits = HttpLimits(quotas=QuotaLimits(requests_per_s=0.1, requests_burst=20.0))
    keys = [credential(f"signer-{number}", "send", key=bytes([number]) * 32) for number in range(16)]
    site = Site(callers_of(*keys), limits)
    body = b" " * 500_000
    wrong = signed(body)
    first = await site.ask("POST", "/v1/events", body, content_type=STRUCTURED, **wrong)
    assert (first.status_code, first.json()["cause"]) == (401, "bad-signature")
    second = await site.ask("POST", "/v1/events", body, content_type=STRUCTURED, **wrong)
    assert second.status_code == 429


async def test_a_signed_body_has_a_limit_of_its_own_since_each_signer_costs_a_hash() -> None:
    site = Site(callers_of(credential("signer", "send", key=KEY)), HttpLimits(body_max_bytes=2**26))
    body = b" " * (SIGNED_MAX_BYTES + 1)
    answer = await site.ask("POST", "/v1/events", body, content_type=STRUCTURED, **signed(body))
    assert (answer.status_code, answer.json()["where"]) == (413, "body")
    assert f"more than {SIGNED_MAX_BYTES} bytes" in answer.json()["detail"]
    within = json.dumps(event(STARTED)).encode() + b" " * (SIGNED_MAX_BYTES - 1_000)
    answer = await site.ask("POST", "/v1/events", within, content_type=STRUCTURED, **signed(within))
    assert answer.status_code == 200


async def test_quotas_are_those_of_the_credential_however_it_is_shown() -> None:
    limits = HttpLimits(quotas=QuotaLimits(requests_per_s=0.001, requests_burst=4.0, day_max_bytes=1e9))
    site = Site(callers_of(credential("a", "send"), credential("b", "send")), limits)
    statuses = [(await site.send(STARTED, "structured", authorization=bearer("a")))["status"] for _ in range(6)]
    assert statuses == [200] * 4 + [429] * 2
    assert (await site.send(STARTED, "structured", authorization=bearer("b")))["status"] == 200


@pytest.mark.parametrize("book", [(), one_for_each_act()], ids=["no credential", "some"])
async def test_who_is_known_by_the_connection_shows_nothing_else(book: tuple[Credential, ...]) -> None:
    site = Site(callers_of(*book), waiting="the disk is full")
    web = site.web

    async def known(scope: Any, receive: Any, send: Any) -> None:
        await web({**scope, CALLER: Caller("user-anise", frozenset({"decide"}))}, receive, send)

    site.web = known
    assert (await site.send(DECIDED, "structured"))["status"] == 200
    assert next(iter(site.intake.envelopes.values())).data["by"] == "user-anise"
    assert (await site.send(STARTED, "batch", authorization=bearer("may-send")))["status"] == 403
    assert (await site.ask("GET", "/metrics")).status_code == 403
    assert "the disk is full" not in (await site.ask("GET", "/readyz")).text


async def test_another_book_is_in_force_from_the_next_request_on() -> None:
    site = Site(callers_of(credential("a", "send")))
    assert (await site.send(STARTED, "structured", authorization=bearer("a")))["status"] == 200
    assert site.callers.used == {"a": NOW_US}
    site.callers.book = CredentialBook([credential("b", "send")])
    assert (await site.send(STARTED, "structured", authorization=bearer("a")))["cause"] == "unknown"
    assert (await site.send(STARTED, "structured", authorization=bearer("b")))["status"] == 200
