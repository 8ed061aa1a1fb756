"""[[alerts.webhooks]]. Every setting is explained in contrib/example.toml."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import Field, StringConstraints

from pagereeve.ports.setting_types import Url
from pagereeve.receivers.kind import ReceiverSettings


class WebhookSettings(ReceiverSettings):
    """One of [[alerts.webhooks]]."""

    url: Annotated[Url, Field(repr=False)]
    secret_file: Path
    source: Annotated[str, StringConstraints(min_length=1, max_length=256, pattern=r"^[\x21-\x7e]+$")] = "urn:pagereeve"
