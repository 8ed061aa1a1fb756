"""[http]. Every setting is explained in contrib/example.toml."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Final

from pydantic import Field

from pagereeve.ports.setting_types import Duration, DurationRange, HostPort, Section, Whole

MIB: Final = 2**20


class HttpSettings(Section):
    """[http]: the endpoint for events, and the pages for machines (metrics, health)."""

    listen: HostPort = HostPort("127.0.0.1", 8731)
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
