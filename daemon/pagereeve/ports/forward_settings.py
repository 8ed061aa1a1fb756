"""[[forward]]. Every setting is explained in contrib/example.toml."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import Field

from pagereeve.ports.setting_types import Duration, DurationRange, Name, Section, Url


class ForwardSettings(Section):
    """One of [[forward]]: ``name`` is the centre's here, ``site`` what the centre calls this site."""

    name: Name
    url: Annotated[Url, Field(repr=False)]
    site: Name
    token_file: Path
    ca_file: Path | None = None
    timeout: Annotated[Duration, DurationRange("1s", "5m")] = Duration.of("30s")
