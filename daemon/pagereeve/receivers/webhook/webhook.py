"""Messages to a web address of the site's own: one CloudEvents 1.0 event a POST, signed.

The body is structured-mode JSON (CloudEvents JSON event format 1.0.2, HTTP binding 1.0.2 section 3.2), byte for byte
the same whenever a message is sent again; source and id name it, so a receiver can leave out what it has.

It is signed twice, by HMAC-SHA256 (RFC 2104, FIPS 180-4) under the shared secret. As Standard Webhooks 1.0.0 has it
(standard-webhooks/standard-webhooks, spec/standard-webhooks.md, "Signature scheme" and "Webhook headers"), over id,
full stop, timestamp, full stop and body:

    webhook-id: <the same for a message whenever it is sent again; without a full stop>
    webhook-timestamp: 1795597200
    webhook-signature: v1,<base64>

and over timestamp, full stop and body:

    Pagereeve-Timestamp: 1795597200
    Pagereeve-Signature: sha256=<64 hexadecimal digits>

To verify: compute either over the bytes as they came, before they are parsed, and compare in constant time. Then
compare the timestamp with the receiver's own clock and refuse a difference of more than 300 s: nobody can send an old
message again.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
import ssl
from typing import Any, Final

from pydantic import SecretBytes

from pagereeve.domain.alerts.message import Notification, OpenAlert, Step
from pagereeve.domain.values.instants import SECOND_US, to_text
from pagereeve.ports.clock import Clock
from pagereeve.ports.secrets import NoSecret, secret_from_file
from pagereeve.receivers.events import EventReceiver
from pagereeve.receivers.http_posting import Poster, PostTarget
from pagereeve.receivers.kind import certificates
from pagereeve.receivers.webhook.settings import WebhookSettings
from pagereeve.receivers.wording import bounded

SECRET_MIN_BYTES: Final = 16
# Standard Webhooks 1.0.0, "Signature scheme": how a secret is written, and its least and greatest size.
STANDARD_PREFIX: Final = b"whsec_"
STANDARD_LEAST_BYTES: Final = 24
STANDARD_MOST_BYTES: Final = 64
CONTENT_TYPE: Final = "application/cloudevents+json"
TYPES: Final[dict[Step, str]] = {
    "opened": "pagereeve.alert.opened.v1",
    "updated": "pagereeve.alert.updated.v1",
    "resolved": "pagereeve.alert.resolved.v1",
    "digest": "pagereeve.alert.digest.v1",
    "trial": "pagereeve.alert.trial.v1",
}
# RFC 9110 section 15.5.9, RFC 8470 section 5.2, RFC 6585 section 4: retry later.
COME_AGAIN: Final = frozenset({408, 425, 429})
# Of the way there, and not of the message: a login, a path or a proxy that is wrong (RFC 9110 section 15.5).
OF_THE_WAY: Final = frozenset({401, 403, 404, 405, 407})
# It wants nothing more (RFC 9110 section 15.5.11; Standard Webhooks 1.0.0, "Delivery success and failure").
GONE: Final = frozenset({410})
OF_MESSAGE: Final = frozenset(range(400, 500)) - COME_AGAIN - OF_THE_WAY - GONE


class WebhookReceiver(EventReceiver):
    """ports.notify.Receiver for events: 2xx says it has it, OF_MESSAGE that it won't take this one, GONE none at all.

    ``secret`` is the shared secret as it stands in its file. Raises NoSecret for one in Standard Webhooks' form that is
    none.
    """

    def __init__(
        self, settings: WebhookSettings, clock: Clock, *, secret: bytes, tls: ssl.SSLContext | None = None
    ) -> None:
        super().__init__(settings.name)
        self._source = settings.source
        self._secret = SecretBytes(secret)
        self._standard_key = SecretBytes(standard_key(secret))
        self._clock = clock
        self._poster = Poster(PostTarget(settings.url, OF_MESSAGE, settings.timeout.seconds, tls, gone=GONE))

    async def deliver(self, notification: Notification) -> None:
        body = json.dumps(event_of(notification, self._source), ensure_ascii=False).encode()
        timestamp = str(self._clock.now_us() // SECOND_US)
        message = f"{notification.alert}-{notification.nth}"
        headers = {
            "content-type": CONTENT_TYPE,
            "webhook-id": message,
            "webhook-timestamp": timestamp,
            "webhook-signature": standard_signature(self._standard_key.get_secret_value(), message, timestamp, body),
            "pagereeve-timestamp": timestamp,
            "pagereeve-signature": signature(self._secret.get_secret_value(), timestamp, body),
        }
        await self._poster.post(body, headers)

    async def close(self) -> None:
        await self._poster.close()


def make_webhook(settings: WebhookSettings, clock: Clock) -> WebhookReceiver:
    """Raises NoSecret."""
    secret = secret_from_file(settings.secret_file).encode()
    if len(secret) < SECRET_MIN_BYTES:
        raise NoSecret(f"{settings.secret_file} is shorter than {SECRET_MIN_BYTES} bytes; it could be guessed")
    return WebhookReceiver(settings, clock, secret=secret, tls=certificates(settings.ca_file))


def standard_key(secret: bytes) -> bytes:
    """What ``whsec_`` is followed by, decoded; of any other secret its own bytes. Raises NoSecret."""
    if not secret.startswith(STANDARD_PREFIX):
        return secret
    try:
        key = base64.b64decode(secret.removeprefix(STANDARD_PREFIX), validate=True)
    except binascii.Error:
        raise NoSecret("the secret begins with whsec_, and what follows is no base64") from None
    if not STANDARD_LEAST_BYTES <= len(key) <= STANDARD_MOST_BYTES:
        raise NoSecret(
            f"the secret begins with whsec_, and holds {len(key)} bytes; {STANDARD_LEAST_BYTES} to "
            f"{STANDARD_MOST_BYTES} are wanted"
        )
    return key


def standard_signature(key: bytes, message: str, timestamp: str, body: bytes) -> str:
    """The value of webhook-signature; ``message`` and ``timestamp`` as in their headers."""
    signed = f"{message}.{timestamp}.".encode("ascii") + body
    return "v1," + base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode("ascii")


def signature(secret: bytes, timestamp: str, body: bytes) -> str:
    """The value of Pagereeve-Signature; ``timestamp`` is in whole seconds since 1970, as in its header."""
    return "sha256=" + hmac.new(secret, timestamp.encode("ascii") + b"." + body, hashlib.sha256).hexdigest()


def event_of(notification: Notification, source: str) -> dict[str, Any]:
    """The event as JSON members; ``subject`` must not be empty where there is one (CloudEvents 1.0.2 section 3.1)."""
    known = bounded(notification)
    event: dict[str, Any] = {
        "specversion": "1.0",
        "id": known.id,
        "source": source,
        "type": TYPES[known.step],
        "time": to_text(known.at_us),
        "datacontenttype": "application/json",
        "data": data_of(known),
    }
    return event | {"subject": known.subject} if known.subject else event


def data_of(known: Notification) -> dict[str, Any]:
    """What an event says; null is unknown, or not yet."""
    digest = {"alerts": [_listed(one) for one in known.alerts], "alerts_open": known.alerts_open}
    return (digest if known.step == "digest" else {}) | {
        "alert": known.alert,
        "nth": known.nth,
        "step": known.step,
        "kind": known.kind,
        "severity": known.severity,
        "subject": known.subject,
        "printer": known.printer or None,
        "gateway": known.gateway or None,
        "since": to_text(known.since_us),
        "at": to_text(known.at_us),
        "until": None if known.until_us is None else to_text(known.until_us),
        "title": known.title,
        "what": known.what,
        "cost": known.cost,
        "evidence": list(known.evidence),
        "first": known.first,
        "command": known.command,
        "findings": known.findings,
        "pages": known.pages,
        "zone": known.zone,
    }


def _listed(one: OpenAlert) -> dict[str, Any]:
    return {
        "alert": one.alert,
        "kind": one.kind,
        "severity": one.severity,
        "subject": one.subject,
        "printer": one.printer or None,
        "gateway": one.gateway or None,
        "since": to_text(one.since_us),
        "title": one.title,
    }
