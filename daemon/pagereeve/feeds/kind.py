"""What every kind of feed below [feeds] has: its table of the settings, and its maker."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

from pagereeve.feeds.stats import FeedStats
from pagereeve.ports.clock import Clock
from pagereeve.ports.intake import Intake
from pagereeve.ports.setting_types import Name, Section

OnError = Callable[[str, Exception], None]
"""Called with what was being done and what went wrong; must not raise."""


class OpenFeed(Protocol):
    """What is seen of a feed. ``address`` is where it really listens."""

    stats: FeedStats

    @property
    def address(self) -> tuple[str, int]: ...


class Feed(OpenFeed, Protocol):
    """One feed at work."""

    async def start(self) -> None:
        """Raises OSError where the address can't be had."""
        ...

    async def stop(self) -> None:
        """What was taken in is handed in before, as far as it goes; the rest is counted as lost."""
        ...


@dataclass(frozen=True, slots=True)
class FeedContext:
    """What the daemon lends to its feeds.

    gateways          names by the host that their input comes from
    connections_max   of one feed, and ``peer_connections_max`` from one address
    backlog_max       items of one connection, read but not yet handed in
    """

    intake: Intake
    clock: Clock
    on_error: OnError
    gateways: Mapping[str, str]
    connections_max: int
    peer_connections_max: int
    backlog_max: int


class FeedSettings(Section):
    """What all feeds have."""

    name: Name


Table = TypeVar("Table", bound=FeedSettings)


@dataclass(frozen=True, slots=True)
class FeedKind(Generic[Table]):
    """``table`` is its name below [feeds]; ``make`` opens nothing yet."""

    table: str
    settings: type[Table]
    make: Callable[[Table, FeedContext], Feed]
