"""[feeds]: a table for each kind. Every setting is explained in contrib/example.toml."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from pydantic import create_model

from pagereeve.feeds import FEEDS
from pagereeve.feeds.kind import FeedKind
from pagereeve.feeds.kind import FeedSettings as OneFeed
from pagereeve.ports.setting_types import Section

_TABLES: dict[str, Any] = {kind.table: (tuple[kind.settings, ...], ()) for kind in FEEDS}  # type: ignore[name-defined]
# A base, because a class's own body can't loop over the list of kinds.
_FeedTables: Any = create_model("_FeedTables", __base__=Section, **_TABLES)


class FeedSettings(_FeedTables):  # type: ignore[misc] # a base that is made
    """[feeds]."""

    def each(self) -> Iterator[tuple[FeedKind[Any], OneFeed]]:
        """Every feed, in the order of the kinds and then of the file."""
        return ((kind, one) for kind in FEEDS for one in getattr(self, kind.table))
