"""[http]. Every setting is explained in contrib/example.toml."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Final, Self

from pydantic import AwareDatetime, Field, StringConstraints, WithJsonSchema, model_validator

from pagereeve.domain.credentials.callers import Act
from pagereeve.domain.facts.events import EVENT_TYPES
from pagereeve.domain.facts.ticket import PAGES_MAX
from pagereeve.ports.setting_types import (
    OFFSET_TIME,
    Checked,
    Duration,
    DurationRange,
    Host,
    HostPort,
    Name,
    Plain,
    Section,
    Text,
    Whole,
)

MIB: Final = 2**20
# Each signature is compared under the secret of each signer, and that of each credential of the settings may be one.
CREDENTIALS_MAX: Final = 16


def _event_type(text: str) -> str:
    known = [one.kind for one in EVENT_TYPES]
    if text not in known:
        raise ValueError(f"{text[:80]!r} is no type of event; known are {', '.join(known)}")
    return text


Source = Annotated[str, StringConstraints(min_length=1, max_length=1_024), Plain]
EventType = Annotated[str, Checked(_event_type, {"enum": [one.kind for one in EVENT_TYPES]})]
PagesMax = Annotated[Whole, Field(ge=0, le=PAGES_MAX)]


class CredentialSettings(Section):
    """One of [[http.credentials]]: either a bearer token or the secret of a sender that signs, in a file of its own."""

    name: Name
    acts: Annotated[frozenset[Act], Field(min_length=1)]
    token_file: Path | None = None
    secret_file: Path | None = None
    sources: Annotated[frozenset[Source], Field(min_length=1, max_length=1_000)] | None = None
    types: Annotated[frozenset[EventType], Field(min_length=1)] | None = None
    expires: Annotated[AwareDatetime, WithJsonSchema(OFFSET_TIME)] | None = None
    pages_max: PagesMax | None = None
    pages_day_max: PagesMax | None = None


class ClientSettings(Section):
    """[[http.clients]]: what the holder of a client certificate may do. ``sources`` and ``types`` None: any."""

    name: Annotated[Text, Field(min_length=1)]
    acts: Annotated[frozenset[Act], Field(min_length=1)]
    sources: Annotated[frozenset[Text], Field(min_length=1, max_length=1_000)] | None = None
    types: Annotated[frozenset[EventType], Field(min_length=1)] | None = None
    pages_max: PagesMax | None = None
    pages_day_max: PagesMax | None = None


class HttpSettings(Section):
    """[http]: the endpoint for events, and the pages for machines (metrics, health)."""

    listen: HostPort = HostPort("127.0.0.1", 8731)
    names: Annotated[tuple[Host, ...], Field(max_length=1_000)] = ()
    behind_proxy: bool = False
    certificate_file: Path | None = None
    key_file: Path | None = None
    client_ca_file: Path | None = None
    clients: Annotated[tuple[ClientSettings, ...], Field(max_length=10_000)] = ()
    head_max_bytes: Annotated[Whole, Field(ge=1024, le=MIB)] = 16_384
    head_timeout: Annotated[Duration, DurationRange("100ms", "5m")] = Duration.of("10s")
    body_max_bytes: Annotated[Whole, Field(ge=1024, le=64 * MIB)] = MIB
    body_timeout: Annotated[Duration, DurationRange("100ms", "5m")] = Duration.of("10s")
    idle_timeout: Annotated[Duration, DurationRange("1s", "1h")] = Duration.of("30s")
    connections_max: Annotated[Whole, Field(ge=1, le=100_000)] = 2_048
    peer_connections_max: Annotated[Whole, Field(ge=1, le=100_000)] = 1_024
    requests_per_s: Annotated[Whole, Field(ge=1, le=100_000)] = 300
    requests_burst: Annotated[Whole, Field(ge=1, le=1_000_000)] = 1_000
    day_max_bytes: Annotated[Whole, Field(ge=MIB, le=2**40)] = 2**30
    batch_max: Annotated[Whole, Field(ge=1, le=100_000)] = 1_000
    wait_max: Annotated[Duration, DurationRange("0s", "5m")] = Duration.of("30s")
    token_files: tuple[Path, ...] = ()
    credentials: Annotated[tuple[CredentialSettings, ...], Field(max_length=CREDENTIALS_MAX)] = ()

    @model_validator(mode="after")
    def _belong_together(self) -> Self:
        problems = []
        if (self.certificate_file is None) != (self.key_file is None):
            problems.append("certificate_file and key_file belong together; name both, or neither")
        if self.client_ca_file is not None and self.certificate_file is None:
            problems.append("client_ca_file needs a certificate_file: clients show theirs over TLS alone")
        if self.clients and self.client_ca_file is None:
            problems.append("[[http.clients]] need a client_ca_file, which says whose certificates are believed")
        names = [one.name.lower() for one in self.clients]
        twice = sorted({name for name in names if names.count(name) > 1})
        problems += [f"[[http.clients]] has the name {name[:64]!r} twice; each needs its own" for name in twice]
        if problems:
            raise ValueError("; ".join(problems))
        return self
