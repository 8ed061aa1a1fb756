"""[[publish]] and [[collect]]: a broker between a site and its centre. Explained in contrib/example.toml."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated, Final, Self
from urllib.parse import urlsplit

from pydantic import Field, model_validator

from pagereeve.ports.setting_types import URL_MAX, Checked, Duration, DurationRange, Name, Section, Text, host_of

SITES_MAX: Final = 256
_URL: Final = re.compile(r"(nats|tls)://[A-Za-z0-9._:\[\]-]+", re.ASCII)


def _broker_address(text: str) -> str:
    """Errors quote nothing of it, as somebody may have written a password into it."""
    try:
        parts = urlsplit(text)
        named = _URL.fullmatch(text) is not None and parts.port != 0 and bool(host_of(parts.hostname or ""))
    except ValueError:
        named = False
    if not named:
        raise ValueError('is no address of a broker; write "nats://host:4222", or "tls://host:4222", and no password')
    return text


BrokerUrl = Annotated[str, Checked(_broker_address, {"pattern": f"^{_URL.pattern}$", "maxLength": URL_MAX})]


class BrokerSettings(Section):
    """``name`` is the broker's here. Who is asked shows a user with a password, an nkey's seed, or a file of
    credentials as the broker's operator gives them, or nothing.
    """

    name: Name
    url: Annotated[BrokerUrl, Field(repr=False)]
    user: Text | None = None
    password_file: Path | None = None
    nkey_file: Path | None = None
    creds_file: Path | None = None
    ca_file: Path | None = None
    timeout: Annotated[Duration, DurationRange("1s", "30s")] = Duration.of("5s")

    @model_validator(mode="after")
    def _shows_one_thing(self) -> Self:
        problems = []
        if bool(self.user) != (self.password_file is not None):
            problems.append("user and password_file belong together")
        if sum(one is not None for one in (self.password_file, self.nkey_file, self.creds_file)) > 1:
            problems.append("of password_file, nkey_file and creds_file one is enough; leave out the others")
        if self.ca_file is not None and not self.url.startswith("tls:"):
            problems.append('ca_file needs a url of "tls://"')
        if problems:
            raise ValueError("; ".join(problems))
        return self


class PublishSettings(BrokerSettings):
    """One of [[publish]], at a site: ``site`` is what the centre calls it."""

    site: Name


class CollectSettings(BrokerSettings):
    """One of [[collect]], at the centre: whose facts it takes from there."""

    sites: Annotated[tuple[Name, ...], Field(min_length=1, max_length=SITES_MAX)]

    @model_validator(mode="after")
    def _sites_differ(self) -> Self:
        if len(set(self.sites)) < len(self.sites):
            raise ValueError("one of the sites is named twice")
        return self
