"""What comes in, by feed: on the page of the daemon, and in short on that of the fleet."""

from __future__ import annotations

from grafana_foundation_sdk.builders import table, timeseries

from dashboards.panels import ANY_IS_BAD, HERE, Column, Look, Query, course, rows


def last_events(span: int) -> table.Panel:
    event = "pagereeve_last_event_timestamp_seconds"
    return rows(
        "When each kind of event last came",
        "From the journal, so a restart changes nothing. Badges young and started old: releases do not reach the "
        "daemon. The other way round: badge lines do not. ended is missing where the release server sends none.",
        [Column("Ago", f"time() - max by (type) ({event}{{{HERE}}})", Look("s"))],
        Look(span=span),
        key="type",
        sort="Ago",
    )


def accepted(span: int) -> timeseries.Panel:
    return course(
        "Events accepted",
        "In 15 minutes, by feed. A feed that was busy and is flat at 0 has lost its sender.",
        [Query(f"sum by (feed) (instance_feed:pagereeve_events:increase15m{{{HERE}}})", "{{feed}}")],
        Look(span=span),
    )


def each_feed(span: int) -> table.Panel:
    return rows(
        "Feeds",
        "Connections open now; badge lines lost since the start (mend the journal, a line does not come again); "
        "connections to the release server that broke (nobody prints while it can't be reached).",
        [
            Column("Connections", f"sum by (feed) (pagereeve_feed_connections{{{HERE}}})"),
            Column("Lines lost", f"sum by (feed) (pagereeve_lost_lines_total{{{HERE}}})", Look(steps=ANY_IS_BAD)),
            Column(
                "Passing on broke",
                f"sum by (feed) (pagereeve_relay_broken_total{{{HERE}}})",
                Look(steps=ANY_IS_BAD),
            ),
        ],
        Look(span=span),
        key="feed",
        sort="Lines lost",
    )
