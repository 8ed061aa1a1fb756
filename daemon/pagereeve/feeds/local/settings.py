"""[local]. Every setting is explained in contrib/example.toml."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Final

from pydantic import Field

from pagereeve.domain.credentials.callers import Act
from pagereeve.domain.facts.ticket import PAGES_MAX
from pagereeve.ports.setting_types import Plain, Section, Whole

USERS_MAX: Final = 10_000
# Of a user or a group, as the system's databases have it.
SystemName = Annotated[str, Field(min_length=1, max_length=200), Plain]
PagesMax = Annotated[Whole, Field(ge=0, le=PAGES_MAX)]
Allowed = Annotated[Mapping[SystemName, tuple[Act, ...]], Field(max_length=USERS_MAX)]


class LocalSettings(Section):
    """[local]: the socket for commands on this host, and what its users may do there.

    ``socket`` None: in the data folder. With a ``group`` its members may connect, else nobody but root
    and the daemon's user. ``pages_max``: by user or group, how many pages one decision may be about;
    ``pages_day_max``, how many those of any 24 hours may be about together.
    """

    socket: Path | None = None
    group: SystemName | None = None
    users: Allowed = Field(default={})
    groups: Allowed = Field(default={})
    pages_max: Annotated[Mapping[SystemName, PagesMax], Field(max_length=USERS_MAX)] = Field(default={})
    pages_day_max: Annotated[Mapping[SystemName, PagesMax], Field(max_length=USERS_MAX)] = Field(default={})
