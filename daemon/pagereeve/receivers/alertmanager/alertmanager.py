"""Alerts to Prometheus Alertmanager, API v2 (``POST /api/v2/alerts``): states that run out unless they are repeated.

Labels are an alert's identity there, so they are few and never change while it lasts; figures and texts are
annotations, of which the latest count.
"""

from __future__ import annotations

import json
import ssl
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from pydantic import SecretStr

from pagereeve.domain.alerts.message import Notification
from pagereeve.domain.values.instants import to_text
from pagereeve.ports.clock import Clock
from pagereeve.ports.receiver import NotDelivered
from pagereeve.ports.secrets import NoSecret, secret_from_file
from pagereeve.receivers.alertmanager.settings import AlertmanagerSettings
from pagereeve.receivers.http_posting import Poster, PostTarget
from pagereeve.receivers.kind import certificates
from pagereeve.receivers.wording import bounded

PATH: Final = "/api/v2/alerts"
NAME_BEGINS: Final = "PagereeveFinding"
BATCH_MAX: Final = 100
# A repetition or two may be lost before an open alert expires.
OUTLASTS: Final = 4
# Answers about the submitted alerts; anything else (a token, a path) is wrong for every alert alike.
OF_MESSAGE: Final = frozenset({400, 413, 422})


class AlertmanagerReceiver:
    """ports.notify.Receiver for states. An alert is over when it says so, or when nobody repeats it any more.

    ``token`` is a bearer token for a proxy before it ("": none).
    """

    def __init__(
        self, settings: AlertmanagerSettings, clock: Clock, *, token: str = "", tls: ssl.SSLContext | None = None
    ) -> None:
        self._settings = settings
        self._clock = clock
        self._token = SecretStr(token)
        url = settings.url.rstrip("/") + PATH
        self._poster = Poster(PostTarget(url, OF_MESSAGE, settings.timeout.seconds, tls, shows_answers=not token))

    @property
    def name(self) -> str:
        return self._settings.name

    @property
    def refresh_s(self) -> float:
        return self._settings.refresh.seconds

    async def deliver(self, notification: Notification) -> None:
        """Posts this one alert. Raises NotDelivered."""
        await self._post([notification], self._clock.now_us())

    async def refresh(self, standing: Sequence[Notification], now_us: int) -> None:
        """Posts all of them again, in batches. Raises NotDelivered: the first refusal, after all batches were tried.

        Where Alertmanager can't be reached, the rest isn't tried.
        """
        refused: NotDelivered | None = None
        for first in range(0, len(standing), BATCH_MAX):
            try:
                await self._post(standing[first : first + BATCH_MAX], now_us)
            except NotDelivered as error:
                if not error.of_message:
                    raise
                refused = refused or error
        if refused is not None:
            raise refused

    async def close(self) -> None:
        await self._poster.close()

    async def _post(self, notifications: Sequence[Notification], now_us: int) -> None:
        alerts = [alert_of(one, self._settings, now_us) for one in notifications]
        headers = {"content-type": "application/json"}
        if self._token:
            headers["authorization"] = f"Bearer {self._token.get_secret_value()}"
        await self._poster.post(json.dumps(alerts, ensure_ascii=False).encode(), headers)


def make_alertmanager(settings: AlertmanagerSettings, clock: Clock) -> AlertmanagerReceiver:
    """Raises NoSecret."""
    token = "" if settings.token_file is None else _token(settings.token_file)
    return AlertmanagerReceiver(settings, clock, token=token, tls=certificates(settings.ca_file))


def _token(path: Path) -> str:
    """One word of ASCII: it goes into a header as it is (RFC 6750 section 2.1)."""
    token = secret_from_file(path)
    if not token.isascii() or " " in token:
        raise NoSecret(f"{path} holds more than one word of ASCII; a bearer token is one")
    return token


def alert_of(notification: Notification, settings: AlertmanagerSettings, now_us: int) -> dict[str, Any]:
    """One postable alert. Times are RFC 3339; an end before the beginning would be refused."""
    known = bounded(notification)
    if known.is_over or not known.is_of_alert:
        until_us = known.at_us if known.until_us is None else known.until_us
        ends_us = min(until_us, now_us)
    else:
        ends_us = now_us + OUTLASTS * settings.refresh.us
    alert: dict[str, Any] = {
        "labels": labels_of(known),
        "annotations": annotations_of(known),
        "startsAt": to_text(known.since_us),
        "endsAt": to_text(max(known.since_us, ends_us)),
    }
    if settings.generator_url:
        alert["generatorURL"] = settings.generator_url
    return alert


def labels_of(known: Notification) -> dict[str, str]:
    """What stays the same while the alert lasts."""
    labels = {
        "alertname": alert_name(known.kind) if known.is_of_alert else f"Pagereeve{known.step.capitalize()}Message",
        "severity": known.severity,
        "kind": known.kind,
        "alert": known.alert,
        "printer": known.printer,
        "gateway": known.gateway,
    }
    return {name: value for name, value in labels.items() if value}


def alert_name(kind: str) -> str:
    """``PagereeveFindingMeterSilent`` for ``meter-silent``: no name that an alert of the Prometheus rules has."""
    letters = "".join(letter if letter.isascii() and letter.isalnum() else " " for letter in kind)
    return NAME_BEGINS + "".join(word[:1].upper() + word[1:] for word in letters.split())


def annotations_of(known: Notification) -> dict[str, str]:
    """What is sent of it; the latest counts."""
    annotations = {
        "summary": known.title,
        "description": known.what,
        "subject": known.subject,
        "cost": known.cost,
        "evidence": "\n".join(known.evidence),
        "first": known.first,
        "command": known.command,
        "findings": str(known.findings),
        "pages": "" if known.pages is None else str(known.pages),
    }
    return {name: value for name, value in annotations.items() if value}
