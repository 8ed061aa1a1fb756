"""[[feeds.lines]]. Every setting is explained in contrib/example.toml."""

from __future__ import annotations

from pagereeve.feeds.kind import FeedSettings
from pagereeve.ports.line_settings import LineSettings


class LineFeedSettings(LineSettings, FeedSettings):
    """One of [[feeds.lines]]: a raw TCP endpoint for badge numbers, which end here."""
