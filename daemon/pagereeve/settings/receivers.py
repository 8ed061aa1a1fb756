"""[alerts]: what is sent, when, and to whom. Every setting is explained in contrib/example.toml."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated, Final, Literal, Self
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, StringConstraints, model_validator

from pagereeve.domain.ledger import Severity
from pagereeve.settings.values import Duration, DurationRange, Name, Section, Target, Text, host_of

RECEIVERS_MAX: Final = 16
RECIPIENTS_MAX: Final = 50
QUIET_MAX: Final = 1_000
URL_MAX: Final = 2_048
_BEGINNING: Final = datetime(1970, 1, 1, tzinfo=UTC)
MAIL_MAX: Final = 254  # RFC 5321 section 4.5.3.1.3, without the brackets
_LOCAL_PART: Final = re.compile(r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+(\.[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+)*", re.ASCII)
_URL: Final = re.compile(r"[\x21-\x7e]+", re.ASCII)

MailTls = Literal["auto", "require", "implicit", "none"]
SyslogTransport = Literal["udp", "tcp", "tls"]
Facility = Literal[
    "kern", "user", "mail", "daemon", "auth", "syslog", "lpr", "news", "uucp", "cron", "authpriv", "ftp",
    "local0", "local1", "local2", "local3", "local4", "local5", "local6", "local7",
]  # fmt: skip


def _web_address(text: str) -> str:
    """Errors quote nothing of it: a path or query may hold a secret."""
    if len(text) > URL_MAX or _URL.fullmatch(text) is None:
        raise ValueError(f'is no URL; write "https://host/path", {URL_MAX} printable ASCII characters at most')
    try:
        parts = urlsplit(text)
        named = parts.scheme in {"http", "https"} and parts.port != 0 and bool(host_of(parts.hostname or ""))
    except ValueError:
        named = False
    if not named:
        raise ValueError('is no URL of http or https with a host; write "https://host/path"')
    if parts.username is not None or "#" in text:
        raise ValueError('holds a user, a password or a "#"; a secret belongs into a file of its own')
    return text


def _mail_address(text: str) -> str:
    local, _, domain = text.rpartition("@")
    if len(text) > MAIL_MAX or _LOCAL_PART.fullmatch(local) is None:
        raise ValueError(
            f"{text[:64]!r} is no e-mail address; write pages@college.example, in ASCII and without a name"
        )
    host_of(domain)
    return text


def _instant(value: datetime) -> datetime:
    if value.utcoffset() is None:
        stamp = value.isoformat(timespec="seconds")
        raise ValueError(f"{stamp} could be any place's time; add its offset, as {stamp}Z or {stamp}+01:00")
    return value


def instant_us(value: datetime) -> int:
    return (value - _BEGINNING) // timedelta(microseconds=1)


Url = Annotated[str, AfterValidator(_web_address)]
MailAddress = Annotated[str, AfterValidator(_mail_address)]
Instant = Annotated[datetime, AfterValidator(_instant)]
StructuredId = Annotated[str, StringConstraints(max_length=32, pattern=r"^[A-Za-z][A-Za-z0-9_.-]*@[1-9][0-9.]*$")]


class ReceiverSettings(Section):
    """What all receivers have: ``least`` is the mildest severity that is sent to it, ``timeout`` bounds one message."""

    name: Name
    least: Severity = "warning"
    timeout: Annotated[Duration, DurationRange("1s", "1m")] = Duration.of("10s")
    ca_file: Path | None = None


class AlertmanagerSettings(ReceiverSettings):
    """One of [[alerts.alertmanagers]]."""

    url: Url
    refresh: Annotated[Duration, DurationRange("5s", "5m")] = Duration.of("1m")
    generator_url: Url | Literal[""] = ""
    token_file: Path | None = None


class WebhookSettings(ReceiverSettings):
    """One of [[alerts.webhooks]]."""

    url: Url
    secret_file: Path
    source: Annotated[str, StringConstraints(min_length=1, max_length=256, pattern=r"^[\x21-\x7e]+$")] = "urn:pagereeve"


class MailSettings(ReceiverSettings):
    """One of [[alerts.mails]]."""

    server: Target
    sender: MailAddress
    recipients: Annotated[tuple[MailAddress, ...], Field(min_length=1, max_length=RECIPIENTS_MAX)]
    tls: MailTls = "auto"
    user: Text = ""
    password_file: Path | None = None
    timeout: Annotated[Duration, DurationRange("1s", "5m")] = Duration.of("30s")

    @model_validator(mode="after")
    def _login_is_whole(self) -> Self:
        problems = []
        if bool(self.user) != (self.password_file is not None):
            problems.append("user and password_file belong together")
        if self.user and self.tls not in {"require", "implicit"}:
            problems.append(
                f'tls = "{self.tls}" would show the password to whoever asks; write "require" or "implicit"'
            )
        if self.ca_file is not None and self.tls == "none":
            problems.append('tls = "none" has no certificate to check with ca_file')
        if len(set(self.recipients)) < len(self.recipients):
            problems.append("one of the recipients is named twice")
        if problems:
            raise ValueError("; ".join(problems))
        return self


class SyslogSettings(ReceiverSettings):
    """One of [[alerts.syslogs]]."""

    server: Target
    transport: SyslogTransport = "tcp"
    facility: Facility = "local0"
    structured_id: StructuredId = "pagereeve@32473"

    @model_validator(mode="after")
    def _certificate_has_a_use(self) -> Self:
        if self.ca_file is not None and self.transport != "tls":
            raise ValueError(f'transport = "{self.transport}" has no certificate to check with ca_file')
        return self


class QuietSettings(Section):
    """One of [[alerts.quiet]]: from ``begins`` until before ``ends`` nothing is sent of these printers and gateways.

    Neither printers nor gateways: of the whole site.
    """

    printers: Annotated[tuple[Name, ...], Field(max_length=100_000)] = ()
    gateways: Annotated[tuple[Name, ...], Field(max_length=100_000)] = ()
    begins: Instant
    ends: Instant
    text: Text = ""

    @model_validator(mode="after")
    def _has_a_length(self) -> Self:
        if self.ends <= self.begins:
            begins, ends = self.begins.isoformat(), self.ends.isoformat()
            raise ValueError(f"ends ({ends}) is not after begins ({begins}); change one of the two")
        return self

    def covers(self, printer: str, gateway: str, at_us: int) -> bool:
        """Nothing is to be sent of this printer, behind this gateway ("" without one), at that instant."""
        if not instant_us(self.begins) <= at_us < instant_us(self.ends):
            return False
        whole = not self.printers and not self.gateways
        return whole or printer in self.printers or (gateway != "" and gateway in self.gateways)


class AlertSettings(Section):
    """[alerts]: how long something must be so, or over, before it is sent, and who receives it."""

    # That holds are wanted: prometheus/alertmanager#204, #1063, #3048; their lengths are our choice.
    hold: Annotated[Duration, DurationRange("0s", "1d")] = Duration.of("2m")
    hold_over: Annotated[Duration, DurationRange("0s", "1d")] = Duration.of("10m")
    again_after: Annotated[Duration, DurationRange("1m", "365d")] = Duration.of("1d")
    quiet: Annotated[tuple[QuietSettings, ...], Field(max_length=QUIET_MAX)] = ()
    alertmanagers: Annotated[tuple[AlertmanagerSettings, ...], Field(max_length=RECEIVERS_MAX)] = ()
    webhooks: Annotated[tuple[WebhookSettings, ...], Field(max_length=RECEIVERS_MAX)] = ()
    mails: Annotated[tuple[MailSettings, ...], Field(max_length=RECEIVERS_MAX)] = ()
    syslogs: Annotated[tuple[SyslogSettings, ...], Field(max_length=RECEIVERS_MAX)] = ()
