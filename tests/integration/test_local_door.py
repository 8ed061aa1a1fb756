"""The local socket of a running daemon: who asks is the user at its other end, and may what that user may."""

from __future__ import annotations

import asyncio
import os
import socket
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx2
import pytest

from pagereeve.app.daemon import App
from pagereeve.app.dating_on import PersonsWord
from pagereeve.app.people_door import FACTS_MAX
from pagereeve.domain.facts.codec import to_json
from pagereeve.domain.facts.facts import Decided, PrinterNoted, Registered
from pagereeve.domain.facts.people import PersonNamed
from pagereeve.feeds import acceptor
from pagereeve.feeds.local.peer import LocalUser, this_user
from pagereeve.feeds.local.socket_file import SOCKET_NAME, NoLocalSocket
from pagereeve.settings import Duration, HostPort, HttpSettings, LocalSettings
from tests.integration.daemon import Outside, hasty_settings
from tests.integration.test_cli import pagereeve
from tests.telemetry_stub import GOES

HTTP = HttpSettings(
    listen=HostPort("127.0.0.1", 0), head_timeout=Duration.of("400ms"), body_timeout=Duration.of("400ms")
)
LOCAL = LocalSettings.model_validate(
    {"users": {"user-sender": ["send"], "user-decider": ["decide"], "user-reader": ["read"], "user-noter": ["note"]}}
)
# Numbers that no user of this machine has; user-basil is listed nowhere, 70006 has no name.
UIDS = {"root": 0} | {f"user-{n}": 70_001 + i for i, n in enumerate(("sender", "decider", "reader", "noter", "basil"))}
UIDS["uid:70006"] = 70_006
NAMES = {uid: name for name, uid in UIDS.items()}
BADGE = {"badge": "04A32B1C99", "gateway": "gw"}
NOTE = {"printer": "nowhere", "note": "moved"}


@dataclass
class Users:
    """Whoever connects is the user whom we say."""

    outside: Outside
    path: Path
    uid: int = 0

    async def ask(self, name: str, method: str, path: str, **more: Any) -> httpx2.Response:
        self.uid = UIDS[name]
        way = httpx2.AsyncHTTPTransport(uds=str(self.path))
        async with httpx2.AsyncClient(transport=way, base_url="http://localhost", timeout=15.0) as client:
            return await client.request(method, path, **more)

    async def send(self, name: str, kind: str, data: dict[str, Any]) -> httpx2.Response:
        headers = {"content-type": "application/cloudevents+json"}
        sent = event(kind, data)
        return await self.ask(name, "POST", "/v1/events", json=sent, headers=headers)

    async def close(self, name: str, finding: str, **more: Any) -> httpx2.Response:
        return await self.send(name, "finding.decided", {"finding": finding, "action": "close", **more})


def event(kind: str, data: dict[str, Any]) -> dict[str, Any]:
    envelope = {"specversion": "1.0", "id": os.urandom(8).hex(), "source": "/here"}
    return {**envelope, "type": f"pagereeve.{kind}.v1", "data": data}


@pytest.fixture
async def outside(tmp_path: Path) -> AsyncIterator[Outside]:
    async with App(hasty_settings(tmp_path, (), http=HTTP, local=LOCAL)) as app, Outside(app) as world:
        yield world


@pytest.fixture
async def users(outside: Outside, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Users:
    found = Users(outside, tmp_path / SOCKET_NAME)
    monkeypatch.setattr(acceptor, "uid_of", lambda _: found.uid)
    monkeypatch.setattr(outside.app.local_callers, "_look", lambda uid: LocalUser(uid, NAMES[uid]))
    return found


@pytest.fixture
async def finding(outside: Outside) -> str:
    await outside.started("r-9", "nowhere", 3)
    return (await outside.finding("unknown-printer", "nowhere")).id


MAY = {
    "root": {"decide", "note", "read", "administer"},
    "user-sender": {"send"},
    "user-decider": {"decide"},
    "user-reader": {"read"},
    "user-noter": {"note"},
    "user-basil": set(),
    "uid:70006": set(),
}


async def test_each_user_may_what_it_was_given_and_nothing_else(users: Users, finding: str) -> None:
    for name, acts in MAY.items():
        tried = {
            "send": await users.send(name, "badge.presented", BADGE),
            "note": await users.send(name, "printer.noted", NOTE),
            "decide": await users.close(name, finding),
            "read": await users.ask(name, "GET", "/metrics"),
            "administer": await users.ask(name, "POST", "/v1/clock/agreement"),
        }
        assert {act for act, answer in tried.items() if answer.status_code == 200} == acts, name
        for act, answer in tried.items():
            if answer.status_code != 200:
                assert answer.status_code == 403
                assert (answer.json()["cause"], answer.json()["type"]) == (act, "urn:pagereeve:problem:forbidden")
                assert name in answer.json()["detail"]


async def test_the_author_is_the_user_and_never_what_a_body_says(users: Users, finding: str) -> None:
    forged = await users.close("user-decider", finding, by="head-of-accounting")
    assert forged.status_code == 422
    assert "data.by" in forged.json()["detail"]
    assert (await users.close("user-decider", finding)).status_code == 200
    [said] = [one.fact async for one in users.outside.app.store.facts("nowhere") if isinstance(one.fact, Decided)]
    assert said.by == "user-decider"


async def test_in_a_batch_each_event_is_judged_alone(users: Users, finding: str) -> None:
    close = event("finding.decided", {"finding": finding, "action": "close"})
    batch = [event("badge.presented", BADGE), close, event("printer.noted", NOTE)]
    headers = {"content-type": "application/cloudevents-batch+json"}
    answer = await users.ask("user-decider", "POST", "/v1/events", json=batch, headers=headers)
    assert [one["status"] for one in answer.json()["results"]] == [403, 200, 403]
    stored = [one.fact async for one in users.outside.app.store.facts("nowhere")]
    assert [one.by for one in stored if isinstance(one, Decided)] == ["user-decider"]
    assert [one for one in stored if isinstance(one, PrinterNoted)] == []


async def test_health_answers_anybody_who_may_connect(users: Users) -> None:
    for path in ("/healthz", "/readyz"):
        assert (await users.ask("user-basil", "GET", path)).status_code == 200
    assert (await users.ask("root", "GET", "/readyz")).json() == {"ready": True, "not_ready": {}, "clock": GOES}
    for method, path, status in (("GET", "/v1/clock/agreement", 405), ("GET", "/nowhere", 404)):
        assert (await users.ask("root", method, path)).status_code == status
    text = await users.outside.metrics()
    assert 'pagereeve_refused_total{feed="local",reason="wrong-method"} 1.0' in text


async def test_the_kernel_says_who_it_is(outside: Outside, finding: str, tmp_path: Path) -> None:
    """Nothing is in its place here: whoever runs these tests is the daemon's own user."""
    done = await asyncio.to_thread(pagereeve, "findings", "close", finding, "--data-dir", str(tmp_path))
    assert (done.returncode, done.stderr) == (0, b"")
    known = await outside.app.store.finding(finding)
    assert known is not None
    assert known.state == "closed"
    [said] = [one.fact async for one in outside.app.store.facts("nowhere") if isinstance(one.fact, Decided)]
    assert said.by == this_user().name


async def test_a_persons_word_of_the_clock_goes_through_the_daemon(outside: Outside, tmp_path: Path) -> None:
    """It is there for the daemon's next look, with the user as who said it."""
    done = await asyncio.to_thread(pagereeve, "clock", "agree", "--data-dir", str(tmp_path))
    assert (done.returncode, done.stderr) == (0, b"")
    assert f"is right, by {this_user().name}".encode() in done.stdout
    word = await asyncio.to_thread(PersonsWord.within(tmp_path).take, outside.app.clock.wall_us())
    assert word == this_user().name


async def test_the_socket_is_closed_to_others_and_goes_with_the_daemon(tmp_path: Path) -> None:
    path = tmp_path / SOCKET_NAME
    async with App(hasty_settings(tmp_path, (), http=HTTP)):
        assert path.stat().st_mode & 0o777 == 0o600
    assert not path.exists()


async def test_one_of_a_daemon_that_lives_is_not_taken_from_it(outside: Outside, tmp_path: Path) -> None:
    local = LocalSettings(socket=tmp_path / SOCKET_NAME)
    with pytest.raises(NoLocalSocket, match="another process listens"):
        async with App(hasty_settings(tmp_path / "another", (), http=HTTP, local=local)):
            pass
    assert await asyncio.to_thread(pagereeve, "clock", "agree", "--data-dir", str(tmp_path))


async def test_silent_and_endless_heads_are_ended_before_anybody_is_asked_for(outside: Outside, tmp_path: Path) -> None:
    async def ended(sent: bytes) -> bytes:
        reader, writer = await asyncio.open_unix_connection(str(tmp_path / SOCKET_NAME))
        writer.write(sent)
        async with asyncio.timeout(10):
            answer = await reader.read()
        writer.close()
        return answer

    kind = b"Content-Type: application/cloudevents+json\r\n"
    slow, endless, late = await asyncio.gather(
        ended(b""),
        ended(b"GET / HTTP/1.1\r\nX: " + b"x" * 70_000),
        ended(b"POST /v1/events HTTP/1.1\r\nHost: x\r\n" + kind + b"Content-Length: 5\r\n\r\n"),
    )
    assert slow == b""
    assert endless.startswith(b"HTTP/1.1 431")
    assert late.startswith(b"HTTP/1.1 408")
    text = await outside.metrics()
    assert 'pagereeve_refused_connections_total{feed="local",reason="silent"} 1.0' in text


async def test_one_user_can_not_fill_it_for_another(users: Users) -> None:
    users.uid = UIDS["user-basil"]
    crowd = []
    for _ in range(200):
        one = socket.socket(socket.AF_UNIX)
        one.settimeout(0)
        one.connect_ex(str(users.path))
        crowd.append(one)
        await asyncio.sleep(0)
    assert (await users.ask("root", "GET", "/readyz")).status_code == 200
    for one in crowd:
        one.close()


async def test_who_may_not_administer_says_nothing_and_a_body_can_say_nothing_else(users: Users) -> None:
    named = PersonNamed(0, "p-0123456789ab", "login", "anise", 2**50, "somebody else")
    body = {"facts": [to_json(named)]}
    for name in ("user-reader", "user-decider", "user-basil"):
        assert (await users.ask(name, "POST", "/v1/people", json=body)).status_code == 403
    assert (await users.ask("root", "GET", "/v1/people")).status_code == 405
    for bad, status in (
        ({"facts": [to_json(Registered(0, "printer", "gate"))]}, 422),
        ({"facts": [to_json(named) | {"person": "anise"}]}, 422),
        ({"facts": [to_json(named) | {"text": "an\u202eise"}]}, 422),
        ({"facts": [to_json(named)] * (FACTS_MAX + 1)}, 422),
        ([], 422),
    ):
        assert (await users.ask("root", "POST", "/v1/people", json=bad)).status_code == status
    assert (await users.ask("root", "POST", "/v1/people", content=b"{")).status_code == 400
    assert (await users.ask("root", "POST", "/v1/people", content=b" " * 2**21)).status_code == 413
    store = users.outside.app.store
    assert [one async for one in store.people_facts()] == []
    assert (await users.ask("root", "POST", "/v1/people", json=body)).json() == {"by": "root", "facts": 1}
    (said,) = [one async for one in store.people_facts() if isinstance(one, PersonNamed)]
    assert (said.by, said.text) == ("root", "anise")
    assert said.known_us < 2**50 + 10**15
