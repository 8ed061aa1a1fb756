"""From settings to the receivers of alerts: secrets and certificates are read here, once."""

from __future__ import annotations

import os
import socket
import ssl
from collections.abc import Callable
from pathlib import Path
from typing import Final

from pagereeve.domain.ledger import Severity
from pagereeve.ports.clock import Clock
from pagereeve.ports.receiver import Receiver
from pagereeve.receivers.alertmanager import AlertmanagerConfig, AlertmanagerReceiver
from pagereeve.receivers.mail.mail import MailConfig, MailReceiver, default_context
from pagereeve.receivers.syslog.syslog import SyslogConfig, SyslogReceiver
from pagereeve.receivers.syslog.text import FACILITIES, RecordForm
from pagereeve.receivers.webhook import WebhookConfig, WebhookReceiver
from pagereeve.settings.errors import BadSettings, Problem
from pagereeve.settings.receivers import (
    AlertmanagerSettings,
    AlertSettings,
    MailSettings,
    ReceiverSettings,
    SyslogSettings,
    WebhookSettings,
)
from pagereeve.settings.secrets import NoSecret, secret_from_file

SECRET_MIN_BYTES: Final = 16


def receivers_of(alerts: AlertSettings, clock: Clock) -> list[tuple[Receiver, Severity]]:
    """Every receiver with the mildest severity that it receives, in the order of the settings.

    Raises BadSettings with all that can't be read.
    """
    makers: list[tuple[ReceiverSettings, Callable[[], Receiver]]] = [
        *((one, lambda one=one: _alertmanager(one, clock)) for one in alerts.alertmanagers),
        *((one, lambda one=one: _webhook(one, clock)) for one in alerts.webhooks),
        *((one, lambda one=one: _mail(one)) for one in alerts.mails),
        *((one, lambda one=one: _syslog(one)) for one in alerts.syslogs),
    ]
    receivers: list[tuple[Receiver, Severity]] = []
    problems: list[Problem] = []
    for settings, make in makers:
        try:
            receivers.append((make(), settings.least))
        except NoSecret as error:
            problems.append(Problem(f"receiver {settings.name}", str(error)))
    if problems:
        raise BadSettings("the receivers of alerts", problems)
    return receivers


def _alertmanager(settings: AlertmanagerSettings, clock: Clock) -> Receiver:
    config = AlertmanagerConfig(
        name=settings.name,
        url=settings.url,
        refresh_s=settings.refresh.seconds,
        generator_url=settings.generator_url,
        token="" if settings.token_file is None else _token(settings.token_file),
        total_s=settings.timeout.seconds,
        tls=_checking(settings.ca_file),
    )
    return AlertmanagerReceiver(config, clock)


def _webhook(settings: WebhookSettings, clock: Clock) -> Receiver:
    secret = secret_from_file(settings.secret_file).encode()
    if len(secret) < SECRET_MIN_BYTES:
        raise NoSecret(f"{settings.secret_file} is shorter than {SECRET_MIN_BYTES} bytes; it could be guessed")
    config = WebhookConfig(
        name=settings.name,
        url=settings.url,
        secret=secret,
        source=settings.source,
        total_s=settings.timeout.seconds,
        tls=_checking(settings.ca_file),
    )
    return WebhookReceiver(config, clock)


def _mail(settings: MailSettings) -> Receiver:
    config = MailConfig(
        name=settings.name,
        host=settings.server.host,
        port=settings.server.port,
        sender=settings.sender,
        recipients=settings.recipients,
        tls=settings.tls,
        user=settings.user,
        password="" if settings.password_file is None else secret_from_file(settings.password_file),
        total_s=settings.timeout.seconds,
        context=default_context(settings.tls) if settings.ca_file is None else _checking(settings.ca_file),
        host_name=_host_name(),
    )
    return MailReceiver(config)


def _syslog(settings: SyslogSettings) -> Receiver:
    config = SyslogConfig(
        name=settings.name,
        host=settings.server.host,
        port=settings.server.port,
        transport=settings.transport,
        form=RecordForm(
            facility=FACILITIES[settings.facility],
            host_name=_host_name(),
            process_id=str(os.getpid()),
            structured_id=settings.structured_id,
        ),
        total_s=settings.timeout.seconds,
        tls=_checking(settings.ca_file),
    )
    return SyslogReceiver(config)


def _host_name() -> str:
    """One word, as headers and EHLO need it."""
    return "".join(socket.gethostname().split()) or "localhost"


def _token(path: Path) -> str:
    """One word of ASCII: it goes into a header as it is (RFC 6750 section 2.1)."""
    token = secret_from_file(path)
    if not token.isascii() or " " in token:
        raise NoSecret(f"{path} holds more than one word of ASCII; a bearer token is one")
    return token


def _checking(ca_file: Path | None) -> ssl.SSLContext | None:
    """None: the receiver's own default. Raises NoSecret."""
    if ca_file is None:
        return None
    try:
        return ssl.create_default_context(cafile=str(ca_file))
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise NoSecret(f"{ca_file} can't be used as certificates ({reason}); it must be PEM") from error
