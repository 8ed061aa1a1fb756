"""Facts that a site forwards to its centre, and that a centre got of its sites, as metric families."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric

from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.telemetry import ForwardingTelemetry, SiteTelemetry


def forwarding_families(centres: Mapping[str, ForwardingTelemetry]) -> Iterator[Metric]:
    text = "Sealed facts that a centre accepted."
    forwarded = CounterMetricFamily("pagereeve_forwarded_facts", text, labels=["centre"])
    text = "Sealed facts that a centre has not got. Absent until it has answered once."
    behind = GaugeMetricFamily("pagereeve_forwarding_behind_facts", text, labels=["centre"])
    text = "Sealed facts that a broker took, and of which the centre has not answered. Only with [[publish]]."
    unanswered = GaugeMetricFamily("pagereeve_forwarding_unanswered_facts", text, labels=["centre"])
    text = "Batches of facts that a centre did not take, by cause."
    refused = CounterMetricFamily("pagereeve_forwarding_refused", text, labels=["centre", "cause"])
    text = "When a centre last answered that all is well, seconds since 1970. Absent until the first."
    accepted = GaugeMetricFamily("pagereeve_forwarding_last_success_timestamp_seconds", text, labels=["centre"])
    for name, centre in sorted(centres.items()):
        forwarded.add_metric([name], centre.forwarded)
        for cause, count in centre.refused.items():
            refused.add_metric([name, cause], count)
        if centre.behind is not None:
            behind.add_metric([name], centre.behind)
        if centre.unanswered is not None:
            unanswered.add_metric([name], centre.unanswered)
        if centre.accepted_us is not None:
            accepted.add_metric([name], centre.accepted_us / SECOND_US)
    yield from (forwarded, behind, unanswered, refused, accepted)


def site_families(sites: Mapping[str, SiteTelemetry]) -> Iterator[Metric]:
    text = "Sealed facts of a site that are here."
    held = GaugeMetricFamily("pagereeve_site_facts", text, labels=["site"])
    text = "Sealed facts of a site that are not here yet, as it last said. Absent until it was heard since the start."
    behind = GaugeMetricFamily("pagereeve_site_behind_facts", text, labels=["site"])
    text = "Batches of a site that were not taken, by cause."
    refused = CounterMetricFamily("pagereeve_site_refused", text, labels=["site", "cause"])
    text = "When a site was last heard, seconds since 1970. Absent until it was heard since the start."
    heard = GaugeMetricFamily("pagereeve_site_last_heard_timestamp_seconds", text, labels=["site"])
    for name, site in sorted(sites.items()):
        held.add_metric([name], site.has)
        for cause, count in site.refused.items():
            refused.add_metric([name, cause], count)
        if site.behind is not None:
            behind.add_metric([name], site.behind)
        if site.heard_us is not None:
            heard.add_metric([name], site.heard_us / SECOND_US)
    yield from (held, behind, refused, heard)
