"""What the webhook receiver sends, judged by Standard Webhooks' own library (PyPI standardwebhooks)."""

from __future__ import annotations

import base64
import json
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from standardwebhooks import Webhook, WebhookVerificationError

from pagereeve.app.clocks import SystemClock
from pagereeve.ports.secrets import NoSecret
from pagereeve.receivers.webhook.settings import WebhookSettings
from pagereeve.receivers.webhook.webhook import WebhookReceiver, make_webhook
from tests.integration.webserver import Request, WebServer, web_server
from tests.notices import StandingClock, notice

PLAIN = "a secret that only two share"
# In the form of standard-webhooks/standard-webhooks, spec/standard-webhooks.md, "Signature scheme".
STANDARD = "whsec_" + base64.b64encode(bytes(range(32))).decode()


@pytest.fixture
async def site() -> AsyncIterator[WebServer]:
    async with web_server() as server:
        yield server


def receiver(site: WebServer, folder: Path, secret: str) -> WebhookReceiver:
    file = folder / "secret"
    file.write_text(secret + "\n", encoding="utf-8")
    return make_webhook(WebhookSettings(name="hook", url=f"{site.url}/told", secret_file=file), SystemClock())


def judge_of(secret: str) -> Webhook:
    """The library wants base64: of a secret that is plain text, README says to give it that of its bytes."""
    return Webhook(secret if secret.startswith("whsec_") else base64.b64encode(secret.encode()).decode())


@pytest.mark.parametrize("secret", [PLAIN, STANDARD])
async def test_the_library_accepts_what_is_sent(site: WebServer, tmp_path: Path, secret: str) -> None:
    one = receiver(site, tmp_path, secret)
    await one.deliver(notice(nth=1))
    await one.deliver(notice(nth=1))
    await one.deliver(notice(nth=2, title="Zoë"))
    await one.close()
    for request in site.requests:
        assert judge_of(secret).verify(request.body, request.headers) == json.loads(request.body)
    first, again, other = (request.headers["webhook-id"] for request in site.requests)
    assert first == again != other
    # "Signature scheme": neither may hold a full stop, which divides what is signed.
    assert "." not in first + request.headers["webhook-timestamp"]
    assert "pagereeve-signature" in site.requests[0].headers


@pytest.mark.parametrize("secret", [PLAIN, STANDARD])
async def test_the_library_refuses_what_is_other(site: WebServer, tmp_path: Path, secret: str) -> None:
    one = receiver(site, tmp_path, secret)
    await one.deliver(notice())
    await one.close()
    (request,) = site.requests
    judge = judge_of(secret)
    later = str(int(request.headers["webhook-timestamp"]) + 1)
    changed = (
        Request("POST", "/", request.headers, request.body.replace(b"library-1", b"library-2")),
        Request("POST", "/", request.headers | {"webhook-id": "a-other-1"}, request.body),
        Request("POST", "/", request.headers | {"webhook-timestamp": later}, request.body),
    )
    for other in changed:
        with pytest.raises(WebhookVerificationError):
            judge.verify(other.body, other.headers)
    with pytest.raises(WebhookVerificationError):
        judge_of(PLAIN + "!").verify(request.body, request.headers)


async def test_an_old_message_is_refused_by_the_library(site: WebServer) -> None:
    settings = WebhookSettings(name="hook", url=site.url, secret_file=Path("read-by-the-maker"))
    one = WebhookReceiver(settings, StandingClock(), secret=PLAIN.encode())
    await one.deliver(notice())
    await one.close()
    (request,) = site.requests
    with pytest.raises(WebhookVerificationError, match=r"old|new"):
        judge_of(PLAIN).verify(request.body, request.headers)


@pytest.mark.parametrize(
    ("secret", "why"),
    [
        ("whsec_not-base64!", "no base64"),
        ("whsec_" + base64.b64encode(bytes(23)).decode(), "23 bytes"),
        ("whsec_" + base64.b64encode(bytes(65)).decode(), "65 bytes"),
    ],
)
async def test_a_secret_in_their_form_must_be_one(site: WebServer, tmp_path: Path, secret: str, why: str) -> None:
    with pytest.raises(NoSecret, match=why) as caught:
        receiver(site, tmp_path, secret)
    assert secret.removeprefix("whsec_") not in str(caught.value)
