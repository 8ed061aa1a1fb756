"""The webhook's events, judged by the CloudEvents project's own SDK, and their signature, computed otherwise too."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
from cloudevents.core.bindings.http import HTTPMessage, from_structured
from cloudevents.core.formats.json import JSONFormat

from pagereeve.domain.alerts.message import Notification
from pagereeve.domain.values.instants import to_text
from pagereeve.receivers.webhook.settings import WebhookSettings
from pagereeve.receivers.webhook.webhook import (
    CONTENT_TYPE,
    OF_MESSAGE,
    WebhookReceiver,
    event_of,
    signature,
)
from tests.notices import SINCE_US, StandingClock, notice, over


def judged(message: Notification) -> Any:
    body = json.dumps(event_of(message, "urn:pagereeve"), ensure_ascii=False).encode()
    return from_structured(HTTPMessage({"content-type": CONTENT_TYPE}, body), JSONFormat())


@pytest.mark.parametrize(
    ("message", "type_"),
    [
        (notice(), "pagereeve.alert.opened.v1"),
        (notice(step="updated", nth=2), "pagereeve.alert.updated.v1"),
        (over(), "pagereeve.alert.resolved.v1"),
        (notice(subject="", title="Zoë\n\ud800"), "pagereeve.alert.opened.v1"),
    ],
)
def test_the_sdk_takes_the_event(message: Notification, type_: str) -> None:
    event = judged(message)
    assert event.get_type() == type_
    assert event.get_id() == f"a-5f0c9d7e21b4.{message.nth}"
    assert event.get_source() == "urn:pagereeve"
    assert to_text(message.at_us).startswith(event.get_time().strftime("%Y-%m-%dT%H:%M:%S"))
    assert event.get_subject() == (message.subject or None)


def test_what_an_event_says() -> None:
    data = event_of(over(gateway="", pages=None), "urn:x")["data"]
    assert data["gateway"] is data["pages"] is None
    assert data["since"] == to_text(SINCE_US)
    assert data["until"] == "2026-11-25T09:03:00.000000Z"
    assert data["evidence"] == ["09:00:05 to 09:00:08: 1 read failed (timeout)", "09:01:05: no answer"]
    assert (data["nth"], data["step"], data["findings"]) == (3, "resolved", 2)


def test_an_event_never_outgrows_what_everybody_passes_on() -> None:
    """CloudEvents 1.0.2, "Size Limits": 64 KiB."""
    vast = dict.fromkeys(("title", "what", "cost", "first", "command", "subject", "alert"), "\U0001f5a8" * 9_000)
    event = event_of(notice(**vast, evidence=("\U0001f5a8" * 9_000,) * 9), "urn:pagereeve")
    assert len(json.dumps(event, ensure_ascii=False).encode()) < 2**16


def test_the_same_message_makes_the_same_event() -> None:
    assert event_of(notice(), "urn:x") == event_of(notice(), "urn:x")


def by_hand(secret: bytes, text: bytes) -> str:
    """RFC 2104 section 2, without the library that is judged."""
    key = (hashlib.sha256(secret).digest() if len(secret) > 64 else secret).ljust(64, b"\0")
    inner = hashlib.sha256(bytes(byte ^ 0x36 for byte in key) + text).digest()
    return hashlib.sha256(bytes(byte ^ 0x5C for byte in key) + inner).hexdigest()


def test_the_signature_by_hand() -> None:
    # RFC 4231 section 4.3, to prove the hand.
    wanted = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    assert by_hand(b"Jefe", b"what do ya want for nothing?") == wanted
    for secret in (b"a shared secret!", b"k" * 131):
        body = json.dumps(event_of(notice(), "urn:pagereeve")).encode()
        assert signature(secret, "1795597320", body) == "sha256=" + by_hand(secret, b"1795597320." + body)


def test_the_signature_of_a_published_vector() -> None:
    """RFC 4231 section 4.8: its data has a full stop in the middle, so that it has our form."""
    before = "This is a test using a larger than block-size key and a larger than block-size data"
    after = b" The key needs to be hashed before being used by the HMAC algorithm."
    wanted = "9b09ffa71b942fcb27635fbcd5b0e944bfdc63644f0713938a7f51535c3a35e2"
    assert signature(b"\xaa" * 131, before, after) == f"sha256={wanted}"


def test_the_signature_by_openssl() -> None:
    openssl = shutil.which("openssl")
    assert openssl is not None, "apt-get install openssl"
    body = json.dumps(event_of(notice(), "urn:pagereeve")).encode()
    told = subprocess.run(
        [openssl, "dgst", "-sha256", "-hmac", "a shared secret!", "-r"],
        input=b"1795597320." + body,
        capture_output=True,
        check=True,
        timeout=20,
    )
    assert signature(b"a shared secret!", "1795597320", body) == "sha256=" + told.stdout.decode().split()[0]


def test_timestamp_and_body_can_not_be_moved_into_each_other() -> None:
    assert signature(b"k", "12", b"3.x") != signature(b"k", "123", b".x")


def test_which_refusals_are_of_the_message() -> None:
    assert [status for status in range(400, 500) if status not in OF_MESSAGE] == [
        401,
        403,
        404,
        405,
        407,
        408,
        410,
        425,
        429,
    ]
    assert {302, 500, 503} & OF_MESSAGE == set()


def test_no_secret_is_shown() -> None:
    settings = WebhookSettings(name="hook", url="http://h/hidden", secret_file=Path("file"))
    receiver = WebhookReceiver(settings, StandingClock(), secret=b"hidden")
    assert "hidden" not in repr(settings) + repr(vars(receiver))
