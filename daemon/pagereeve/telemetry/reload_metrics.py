"""Reloads of the settings as metric families."""

from __future__ import annotations

from collections.abc import Iterator

from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric

from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.telemetry import ReloadTelemetry


def reload_families(reload: ReloadTelemetry) -> Iterator[Metric]:
    attempts = CounterMetricFamily(
        "pagereeve_reload_attempts", "Reloads of the settings, by outcome.", labels=["outcome"]
    )
    for outcome, count in reload.outcomes.items():
        attempts.add_metric([outcome], count)
    yield attempts
    text = (
        "1 unless the last reload of the settings was refused or failed, else 0: the settings of before are in force."
    )
    yield GaugeMetricFamily("pagereeve_reload_ok", text, value=int(not reload.trouble))
    text = "When settings last came into force by a reload, seconds since 1970. Absent until one did."
    last = GaugeMetricFamily("pagereeve_reload_last_success_timestamp_seconds", text, labels=[])
    if reload.success_us is not None:
        last.add_metric([], reload.success_us / SECOND_US)
    yield last
