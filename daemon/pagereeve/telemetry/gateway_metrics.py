"""Each gateway's own sign of life as metric families: as many series as the settings name gateways with a check."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from prometheus_client.core import GaugeMetricFamily, Metric

from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.telemetry import GatewayTelemetry


def gateway_families(gateways: Mapping[str, GatewayTelemetry]) -> Iterator[Metric]:
    text = "1 while the gateway itself answers its check, 0 since two in a row failed. Absent until it was looked at."
    up = GaugeMetricFamily("pagereeve_gateway_up", text, labels=["gateway"])
    text = "When a gateway was last seen to begin or to cease to answer, seconds since 1970. Absent until looked at."
    changed = GaugeMetricFamily("pagereeve_gateway_last_change_timestamp_seconds", text, labels=["gateway"])
    for name, one in sorted(gateways.items()):
        if one.up is not None:
            up.add_metric([name], int(one.up))
        if one.changed_us is not None:
            changed.add_metric([name], one.changed_us / SECOND_US)
    yield from (up, changed)
