"""[[alerts.syslogs]]. Every setting is explained in contrib/example.toml."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import StringConstraints, model_validator

from pagereeve.ports.setting_types import Target
from pagereeve.receivers.kind import ReceiverSettings

Transport = Literal["udp", "tcp", "tls"]
Facility = Literal[
    "kern", "user", "mail", "daemon", "auth", "syslog", "lpr", "news", "uucp", "cron", "authpriv", "ftp",
    "local0", "local1", "local2", "local3", "local4", "local5", "local6", "local7",
]  # fmt: skip
StructuredId = Annotated[str, StringConstraints(max_length=32, pattern=r"^[A-Za-z][A-Za-z0-9_.-]*@[1-9][0-9.]*$")]


class SyslogSettings(ReceiverSettings):
    """One of [[alerts.syslogs]]."""

    server: Target
    transport: Transport = "tcp"
    facility: Facility = "local0"
    structured_id: StructuredId = "pagereeve@32473"

    @model_validator(mode="after")
    def _certificate_has_a_use(self) -> Self:
        if self.ca_file is not None and self.transport != "tls":
            raise ValueError(f'transport = "{self.transport}" has no certificate to check with ca_file')
        return self
