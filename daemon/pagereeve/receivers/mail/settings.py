"""[[alerts.mails]]. Every setting is explained in contrib/example.toml."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Final, Literal, Self

from pydantic import Field, model_validator

from pagereeve.ports.setting_types import Duration, DurationRange, MailAddress, Target, Text
from pagereeve.receivers.kind import ReceiverSettings

RECIPIENTS_MAX: Final = 50

MailTls = Literal["auto", "require", "implicit", "none"]


class MailSettings(ReceiverSettings):
    """One of [[alerts.mails]].

    ``tls``: "require" and "implicit" are STARTTLS and TLS from the start, and the certificate is checked. "auto" takes
    STARTTLS where it is offered, whatever the certificate (RFC 7435): that hides the message from those who only
    listen, and no more.
    """

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
