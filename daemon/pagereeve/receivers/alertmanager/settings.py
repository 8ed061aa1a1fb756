"""[[alerts.alertmanagers]]. Every setting is explained in contrib/example.toml."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from pagereeve.ports.setting_types import Duration, DurationRange, Url
from pagereeve.receivers.kind import ReceiverSettings


class AlertmanagerSettings(ReceiverSettings):
    """One of [[alerts.alertmanagers]]."""

    url: Annotated[Url, Field(repr=False)]
    refresh: Annotated[Duration, DurationRange("5s", "5m")] = Duration.of("1m")
    generator_url: Url | Literal[""] = ""
    token_file: Path | None = None
