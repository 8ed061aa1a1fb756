"""The daemon and what comes in: is it well, and does it hear everything?"""

from __future__ import annotations

from typing import Final

from grafana_foundation_sdk.builders import dashboard

from dashboards import feeds
from dashboards.panels import (
    ANY_IS_BAD,
    ANY_IS_ODD,
    HERE,
    YES_OR_NO,
    AnyPanel,
    Column,
    Look,
    Query,
    begin,
    course,
    number,
    or_zero,
    rows,
)
from dashboards.sites import sites

HALF: Final = 12
THIRD: Final = 8
STALE: Final = ((None, "green"), (1_800, "orange"), (3_600, "red"))


def daemon() -> dashboard.Dashboard:
    text = "The daemon's own health: parts, tasks, journal, disk; what the feeds receive; which messages are sent."
    made = begin("Pagereeve: daemon and feeds", "pagereeve-daemon", text, "now-6h")
    parts = {
        "Health": _health(),
        "Feeds": _feeds(),
        "Journal and disk": _journal(),
        "Meters and network": _network(),
        "Alerts sent": _told(),
        "Sites and centres": sites(),
    }
    for title, panels in parts.items():
        made = made.with_row(dashboard.Row(title))
        for panel in panels:
            made = made.with_panel(panel)
    return made


def _health() -> list[AnyPanel]:
    task = "pagereeve_task_last_success_timestamp_seconds"
    return [
        number(
            "Ready",
            "no: events may be turned away. /readyz says why in a sentence.",
            Query(f"min(pagereeve_ready{{{HERE}}})"),
            Look(words=YES_OR_NO, span=4, height=6),
        ),
        rows(
            "Parts",
            "Each part that must work before events are welcome. The log says since when one does not.",
            [Column("Ready", f"min by (part) (pagereeve_part_ready{{{HERE}}})", Look(words=YES_OR_NO))],
            Look(span=6, height=6),
            key="part",
            sort="part",
        ),
        rows(
            "Tasks",
            "When each kind of task last got something done, and how often one was restarted after an error. "
            "Old or many: find the task's name in the log.",
            [
                Column("Last success", f"time() - max by (task) ({task}{{{HERE}}})", Look("s", STALE)),
                Column("Restarted", f"sum by (task) (pagereeve_task_restarts_total{{{HERE}}})", Look(steps=ANY_IS_ODD)),
            ],
            Look(span=8, height=6),
            key="task",
            sort="Last success",
        ),
        number(
            "Alerts that Prometheus has",
            "Of these rules, firing now. Each carries its runbook.",
            Query(or_zero('count(ALERTS{alertname=~"Pagereeve.+",alertstate="firing"})')),
            Look("short", ANY_IS_BAD, span=6, height=6),
        ),
        course(
            "How late the event loop is",
            "The worst of each minute. Above a second for long: the machine is too busy, or something blocks.",
            [Query(f"max(pagereeve_event_loop_lag_seconds{{{HERE}}})", "lag")],
            Look("s", span=HALF),
        ),
        course(
            "Processor and memory",
            "Of the daemon's process. Memory that only grows for days is worth a report.",
            [
                Query(
                    f'sum(rate(process_cpu_seconds_total{{job="pagereeve",{HERE}}}[$__rate_interval]))', "processors"
                ),
                Query(f'sum(process_resident_memory_bytes{{job="pagereeve",{HERE}}}) / 2^30', "memory in GiB"),
            ],
            Look(span=HALF),
        ),
    ]


def _feeds() -> list[AnyPanel]:
    return [
        feeds.last_events(THIRD),
        feeds.accepted(THIRD),
        course(
            "Share of events refused",
            "Above a tenth: the sender's form or token has changed, or another host sends. The reasons are beside it.",
            [Query(f"max by (feed) (instance_feed:pagereeve_refused:ratio_increase15m{{{HERE}}})", "{{feed}}")],
            Look("percentunit", span=THIRD),
        ),
        course(
            "Refused, by reason",
            "bad-json, bad-cloudevent, bad-member: the sender's form. unauthorized: its token. line-...: what a badge "
            "reader sent. head-too-large, too-slow, too-many-requests, over-quota: beyond what a sender may cost. "
            "journal-unavailable, over-capacity: the daemon; the sender comes again.",
            [
                Query(
                    or_zero(f"sum by (reason) (increase(pagereeve_refused_total{{{HERE}}}[15m])) > 0"),
                    "{{reason}}",
                )
            ],
            Look(span=THIRD),
        ),
        feeds.each_feed(THIRD),
        rows(
            "Findings about badges, readers and feeds",
            "Open ones by kind; a single 0 means none. reader-...: go to it. feed-silent: look at that sender. "
            "The others are questions to ask, and accuse nobody.",
            [
                Column(
                    "Open",
                    or_zero(f"sum by (kind) (pagereeve_site_open_findings{{{HERE}}}) > 0"),
                    Look(steps=ANY_IS_ODD),
                )
            ],
            Look(span=THIRD),
            key="kind",
            sort="Open",
        ),
    ]


def _journal() -> list[AnyPanel]:
    return [
        number(
            "Can store",
            "no: every event is turned away. Look at the disk first.",
            Query(f"min(pagereeve_journal_up{{{HERE}}})"),
            Look(words=YES_OR_NO, span=4),
        ),
        number(
            "Disk free",
            "Of the file system with the data folder. Make room below a tenth.",
            Query(f"min(instance:pagereeve_disk_free:ratio{{{HERE}}})"),
            Look("percentunit", ((None, "red"), (0.03, "orange"), (0.1, "green")), span=4),
        ),
        course(
            "How full queue and write-ahead file are",
            "Queue near 1: the disk is slow or a backlog comes in. Write-ahead file above 1: a long reader keeps it "
            "from being cut back; end that reader.",
            [
                Query(f"max(instance:pagereeve_journal_queue:ratio{{{HERE}}})", "queue"),
                Query(f"max(instance:pagereeve_journal_wal:ratio{{{HERE}}})", "write-ahead file"),
            ],
            Look("percentunit", span=THIRD),
        ),
        course(
            "Rows stored, failures, repeats",
            "In 15 minutes. Failures: the log has the error. Duplicates are senders who came again, and cost nothing.",
            [
                Query(f"sum(increase(pagereeve_journal_rows_total{{{HERE}}}[15m]))", "rows"),
                Query(f"sum(increase(pagereeve_journal_failures_total{{{HERE}}}[15m]))", "failures"),
                Query(f"sum(increase(pagereeve_journal_unavailable_total{{{HERE}}}[15m]))", "tasks put off"),
                Query(f"sum(increase(pagereeve_journal_duplicates_total{{{HERE}}}[15m]))", "duplicates"),
                Query(f"sum(increase(pagereeve_journal_conflicts_total{{{HERE}}}[15m]))", "conflicts"),
            ],
            Look(span=THIRD),
        ),
        course(
            "Size of database and write-ahead file",
            "The database grows with what is printed. It should be a small part of the disk.",
            [
                Query(f"sum(pagereeve_journal_database_size_bytes{{{HERE}}})", "database"),
                Query(f"sum(pagereeve_journal_wal_size_bytes{{{HERE}}})", "write-ahead file"),
            ],
            Look("bytes", span=HALF),
        ),
        course(
            "Projections, and those begun again",
            "Begun again: a notice came late. Many for long: a sender's queue is behind.",
            [
                Query(f"sum(increase(pagereeve_projections_total{{{HERE}}}[15m]))", "projections"),
                Query(f"sum(increase(pagereeve_rewinds_total{{{HERE}}}[15m]))", "begun again"),
            ],
            Look(span=HALF),
        ),
    ]


def _network() -> list[AnyPanel]:
    return [
        course(
            "Reads that failed",
            "Share of all reads. A school holiday raises it; a step by day is a gateway or a network.",
            [Query(f"max(instance:pagereeve_reads_failed:ratio_rate15m{{{HERE}}})", "failed")],
            Look("percentunit", span=THIRD),
        ),
        course(
            "Datagrams not accepted, and dropped",
            "In 15 minutes. wrong-address, wrong-port: a forward leads elsewhere. late: raise read_timeout. dropped: "
            "the kernel's buffer was full.",
            [
                Query(f"sum by (kind) (increase(pagereeve_refused_datagrams_total{{{HERE}}}[15m]))", "{{kind}}"),
                Query(or_zero(f"sum(increase(pagereeve_receive_drops_total{{{HERE}}}[15m]))"), "dropped"),
            ],
            Look(span=THIRD),
        ),
        course(
            "Oddities of meters and readers",
            "In 15 minutes. slow-read, retry: the path or the agent is slow. contradiction: a printer's own counters "
            "disagree; `pagereeve read --printer NAME` shows them. badge ...: a reader's form refuses numbers.",
            [
                Query(f"sum by (kind) (increase(pagereeve_meter_oddities_total{{{HERE}}}[15m]))", "{{kind}}"),
                Query(f"sum by (reason) (increase(pagereeve_refused_badges_total{{{HERE}}}[15m]))", "badge {{reason}}"),
            ],
            Look(span=THIRD),
        ),
    ]


def _told() -> list[AnyPanel]:
    oldest = "pagereeve_notification_oldest_timestamp_seconds"
    last = "pagereeve_receiver_last_success_timestamp_seconds"
    return [
        rows(
            "Receivers",
            "Receivers, and whether they accept messages. Waiting for long: try the receiver by hand from the daemon's "
            "machine. A single 0: no receiver is set, or none waits.",
            [
                Column("Waiting", or_zero(f"sum by (receiver) (pagereeve_notifications_waiting{{{HERE}}})")),
                Column("Oldest", or_zero(f"time() - min by (receiver) ({oldest}{{{HERE}}})"), Look("s", STALE)),
                Column("Last accepted", or_zero(f"time() - max by (receiver) ({last}{{{HERE}}})"), Look("s")),
            ],
            Look(span=HALF),
            key="receiver",
            sort="Waiting",
        ),
        course(
            "Notifications by outcome",
            "In 15 minutes. failed: retried later. refused, dropped: nobody received it; the log has the answer.",
            [
                Query(
                    or_zero(f"sum by (outcome) (increase(pagereeve_notifications_total{{{HERE}}}[15m]))"), "{{outcome}}"
                )
            ],
            Look(span=6),
        ),
        course(
            "Alerts that the daemon itself has open",
            "By severity. They go to the receivers above, with or without Prometheus.",
            [Query(f"sum by (severity) (pagereeve_open_alerts{{{HERE}}})", "{{severity}}")],
            Look(span=6),
        ),
    ]
