"""The connections that each endpoint of this daemon may hold, of the descriptors that the process can have."""

from __future__ import annotations

import structlog

from pagereeve.app import descriptors
from pagereeve.app.local_door import CONNECTIONS
from pagereeve.settings import Settings

log = structlog.get_logger("pagereeve.app")


def shares_for(settings: Settings) -> descriptors.Shares:
    """What is less than the settings say is logged."""
    most = descriptors.limit() - CONNECTIONS.connections_max
    line_wanted, http_wanted = settings.limits.line_connections_max, settings.http.connections_max
    feeds = len(tuple(settings.feeds.each()))
    given = descriptors.shares(most, line_feeds=feeds, line_wanted=line_wanted, http_wanted=http_wanted)
    if (given.line_feed, given.http) != (line_wanted, http_wanted):
        text = "fewer connections than set: the others keep descriptors for badge lines, meters and the journal"
        log.warning(text, descriptors=most, http=given.http, line_feed=given.line_feed, set="LimitNOFILE")
    return given
