"""The webhook receiver against real sockets: what arrives, what each answer means, and that nothing waits for ever."""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import json
import ssl
import time
import traceback
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.ports.receiver import NotDelivered, Receiver
from pagereeve.ports.setting_types import Duration
from pagereeve.receivers.webhook.settings import WebhookSettings
from pagereeve.receivers.webhook.webhook import WebhookReceiver
from tests.integration.certificates import self_made
from tests.integration.processes import free_tcp_port
from tests.integration.serving import serving
from tests.integration.webserver import OK, Request, WebServer, status, web_server
from tests.notices import AT_US, StandingClock, notice, over

SECRET = b"a secret that only two share"
OLDEST_S = 300


def verified(request: Request, secret: bytes, now_s: int) -> bool:
    """As a receiver of the site's own would do it; README shows the same."""
    stamp, given = request.headers["pagereeve-timestamp"], request.headers["pagereeve-signature"]
    wanted = "sha256=" + hmac.new(secret, stamp.encode() + b"." + request.body, hashlib.sha256).hexdigest()
    return hmac.compare_digest(wanted, given) and abs(now_s - int(stamp)) <= OLDEST_S


@pytest.fixture
async def site() -> AsyncIterator[WebServer]:
    async with web_server() as server:
        yield server


def receiver(
    site: WebServer,
    clock: StandingClock | SystemClock | None = None,
    *,
    total_s: float = 10.0,
    tls: ssl.SSLContext | None = None,
) -> WebhookReceiver:
    """``total_s`` may be shorter than the settings allow."""
    url = f"{site.url}/told/hidden-in-path?key=hidden-in-query"
    settings = WebhookSettings(name="hook", url=url, secret_file=Path("read-by-the-maker"))
    hasty = settings.model_copy(update={"timeout": Duration(round(total_s * 1e6))})
    return WebhookReceiver(hasty, clock or StandingClock(), secret=SECRET, tls=tls)


async def refused(one: Receiver) -> NotDelivered:
    with pytest.raises(NotDelivered) as caught:
        await one.deliver(notice())
    await one.close()
    shown = "".join(traceback.format_exception(caught.value))
    assert "hidden" not in shown
    assert SECRET.decode() not in shown
    return caught.value


async def test_a_message_arrives_signed_and_the_same_each_time(site: WebServer) -> None:
    clock = StandingClock()
    one = receiver(site, clock)
    await one.deliver(notice())
    clock.at_us += 7_000_000
    await one.deliver(notice())
    await one.close()
    first, again = site.requests
    assert first.method == "POST"
    assert first.path == "/told/hidden-in-path?key=hidden-in-query"
    assert first.headers["content-type"] == "application/cloudevents+json"
    assert first.body == again.body
    assert json.loads(first.body)["id"] == notice().id
    stamps = [int(request.headers["pagereeve-timestamp"]) for request in site.requests]
    assert stamps == [AT_US // 1_000_000, AT_US // 1_000_000 + 7]
    assert all(verified(request, SECRET, stamps[0]) for request in site.requests)


async def test_a_changed_an_old_and_a_foreign_message_are_told_apart(site: WebServer) -> None:
    one = receiver(site, SystemClock())
    await one.deliver(over())
    await one.close()
    (request,) = site.requests
    now_s = int(time.time())
    assert verified(request, SECRET, now_s)
    assert not verified(request, b"another secret", now_s)
    assert not verified(request, SECRET, now_s + OLDEST_S + 60)
    changed = Request("POST", "/", request.headers, request.body.replace(b"library-1", b"library-2"))
    assert not verified(changed, SECRET, now_s)


@pytest.mark.parametrize("line", ["200 OK", "201 Created", "202 Accepted", "204 No Content"])
async def test_2xx_is_delivered(site: WebServer, line: str) -> None:
    site.answer = lambda _: status(line)
    one = receiver(site)
    await one.deliver(notice())
    await one.close()


@pytest.mark.parametrize(
    ("line", "of_message"),
    [
        ("400 Bad Request", True),
        ("404 Not Found", False),
        ("401 Unauthorized", False),
        ("422 Unprocessable Content", True),
        ("410 Gone", False),
        ("408 Request Timeout", False),
        ("425 Too Early", False),
        ("429 Too Many Requests", False),
        ("500 Internal Server Error", False),
        ("503 Service Unavailable", False),
        ("302 Found", False),
        ("304 Not Modified", False),
        ("599 Odd", False),
    ],
)
async def test_what_an_answer_means(site: WebServer, line: str, of_message: bool) -> None:
    site.answer = lambda request: status(line, f"Location: {site.url}/other", body=request.path.encode())
    error = await refused(receiver(site))
    assert error.of_message is of_message
    assert line[:3] in str(error)
    assert f"127.0.0.1:{site.port}" in str(error)
    assert len(site.requests) == 1


async def test_an_answer_without_end_is_read_no_further_than_needed(site: WebServer) -> None:
    site.answer = lambda _: b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n"
    site.goes_on = b"10000\r\n" + b"x" * 65_536 + b"\r\n"
    one = receiver(site, total_s=5.0)
    await one.deliver(notice())
    await one.close()
    await asyncio.sleep(0.05)
    sent = site.sent_bytes
    await asyncio.sleep(0.2)
    assert site.sent_bytes == sent < 2**24


@pytest.mark.parametrize("answer", [b"", b"HTTP/1.1 200 OK\r\nContent-Length: 9\r\n\r\n"])
async def test_silence_and_half_an_answer_are_not_waited_for_long(site: WebServer, answer: bytes) -> None:
    site.answer = lambda _: answer
    one = receiver(site, total_s=0.5)
    began = time.monotonic()
    error = await refused(one)
    assert time.monotonic() - began < 3
    assert not error.of_message


async def test_drops_of_an_answer_do_not_stretch_the_wait(site: WebServer) -> None:
    """Each read is short enough, but all of them together are not."""

    async def drip(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readuntil(b"\r\n\r\n")
        writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 1000\r\n\r\n")
        for _ in range(100):
            writer.write(b"x")
            await writer.drain()
            await asyncio.sleep(0.1)

    async with serving(drip) as site.port:
        began = time.monotonic()
        error = await refused(receiver(site, total_s=0.7))
        assert 0.5 < time.monotonic() - began < 3
        assert "within 0.7 s" in str(error)


async def test_nobody_there_and_no_http(site: WebServer) -> None:
    site.answer = lambda _: b"220 mail ready\r\n\r\n"
    error = await refused(receiver(site))
    assert not error.of_message
    site.port = free_tcp_port()
    error = await refused(receiver(site))
    assert not error.of_message
    assert "can't be reached" in str(error)


async def test_the_certificate_is_checked(tmp_path: Path) -> None:
    made = self_made(tmp_path)
    async with web_server(made.server()) as site:
        error = await refused(receiver(site))
        assert "certificate" in str(error)
        assert site.requests == []
        one = receiver(site, tls=made.client())
        await one.deliver(notice())
        await one.close()
        assert len(site.requests) == 1


async def test_settings_of_the_environment_do_not_lead_messages_elsewhere(
    site: WebServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("http_proxy", "HTTP_PROXY", "all_proxy", "ALL_PROXY"):
        monkeypatch.setenv(name, "http://127.0.0.1:9")
    monkeypatch.delenv("no_proxy", raising=False)
    one = receiver(site)
    await one.deliver(notice())
    await one.close()
    assert [request.body for request in site.requests]
    assert site.answer(site.requests[0]) == OK
