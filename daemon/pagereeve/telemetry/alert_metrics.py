"""Alerts sent, and whether receivers accept them, as metric families. Queues and instants are the journal's."""

from __future__ import annotations

from collections.abc import Iterator

from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric

from pagereeve.domain.ledger import SEVERITIES
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.telemetry import ProcessTelemetry


def alert_families(process: ProcessTelemetry) -> Iterator[Metric]:
    text = "Alerts that were sent and are not over, by severity."
    open_alerts = GaugeMetricFamily("pagereeve_open_alerts", text, labels=["severity"])
    for severity in SEVERITIES:
        open_alerts.add_metric([severity], process.open_alerts.get(severity, 0))
    text = "Messages about alerts, by receiver and outcome."
    messages = CounterMetricFamily("pagereeve_notifications", text, labels=["receiver", "outcome"])
    text = "Messages about alerts that wait for a receiver."
    waiting = GaugeMetricFamily("pagereeve_notifications_waiting", text, labels=["receiver"])
    text = "When the oldest message that waits for a receiver was made, seconds since 1970. Absent if none waits."
    oldest = GaugeMetricFamily("pagereeve_notification_oldest_timestamp_seconds", text, labels=["receiver"])
    text = "When a receiver last accepted a message, seconds since 1970, also before a restart. Absent until the first."
    accepted = GaugeMetricFamily("pagereeve_receiver_last_success_timestamp_seconds", text, labels=["receiver"])
    for name, receiver in sorted(process.receivers.items()):
        for outcome, count in receiver.messages.items():
            messages.add_metric([name, outcome], count)
        waiting.add_metric([name], receiver.waiting)
        if receiver.oldest_us is not None:
            oldest.add_metric([name], receiver.oldest_us / SECOND_US)
        if receiver.last_success_us is not None:
            accepted.add_metric([name], receiver.last_success_us / SECOND_US)
    yield from (open_alerts, messages, waiting, oldest, accepted)
