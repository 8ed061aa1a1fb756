"""From settings to the adapters' own configurations: names and units only, no decisions."""

from __future__ import annotations

from collections.abc import Mapping

from pagereeve.feeds.badgetext import BadgeFrame
from pagereeve.feeds.lines import LineFeedConfig
from pagereeve.feeds.tee import TeeTarget
from pagereeve.settings import LimitSettings, LineFeedSettings


def line_feed_config(line: LineFeedSettings, peers: Mapping[str, str], limits: LimitSettings) -> LineFeedConfig:
    """One [[feeds.lines]] table; ``peers`` name gateways by the address their lines come from."""
    return LineFeedConfig(
        name=line.name,
        gateway=line.gateway or peers,
        host=line.listen.host,
        port=line.listen.port,
        terminator=line.terminator_bytes,
        frame=BadgeFrame(line.prefix.encode(), line.suffix.encode(), line.encoding),
        line_max_bytes=line.line_max_bytes,
        idle_flush_s=line.idle_flush.seconds,
        connections_max=limits.line_connections_max,
        pending_max_bytes=limits.line_backlog_max * line.line_max_bytes,
        tee=None if line.tee is None else TeeTarget(line.tee.host, line.tee.port),
    )
