"""How events come in: the one list of kinds. Each is a folder with its table of settings and its maker.

Of these there are any number, in [feeds]. CloudEvents over HTTP have their table beside it, [http]: that feed is there
once and always, and shares its address with the pages for machines.
"""

from __future__ import annotations

from typing import Any, Final

from pagereeve.feeds.kind import FeedKind
from pagereeve.feeds.lines.feed import make_line_feed
from pagereeve.feeds.lines.settings import LineFeedSettings

FEEDS: Final[tuple[FeedKind[Any], ...]] = (FeedKind("lines", LineFeedSettings, make_line_feed),)
