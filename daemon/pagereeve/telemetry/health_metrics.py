"""The daemon's own health as metric families: readiness, the event loop, tasks, the disk, and what last came in.

Instants, never ages: an age stops when the process does (Prometheus documentation, Instrumentation).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric

from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.telemetry import OVERLOAD_CAUSES, PARTS, ProcessTelemetry


def health_families(process: ProcessTelemetry) -> Iterator[Metric]:
    parts = dict.fromkeys(PARTS, "") | dict(process.parts)
    ready = int(not any(parts.values()))
    yield GaugeMetricFamily("pagereeve_ready", "1 while /readyz says that all is well, else 0.", value=ready)
    by_part = GaugeMetricFamily("pagereeve_part_ready", "1 while a part works, else 0.", labels=["part"])
    for part, why in parts.items():
        by_part.add_metric([part], int(not why))
    yield by_part
    text = "By how much the event loop was late at the worst, within the last minute."
    yield GaugeMetricFamily("pagereeve_event_loop_lag_seconds", text, value=process.loop_lag_s)
    text = "1 for each reason for which the daemon is overloaded (polls and senders that can wait are put off), else 0."
    overloaded = GaugeMetricFamily("pagereeve_overloaded", text, labels=["reason"])
    for cause in OVERLOAD_CAUSES:
        overloaded.add_metric([cause], int(cause in process.overload.causes))
    yield overloaded
    text = "How long the next printer in line has waited for its projection; 0 if none waits."
    waiting_s = process.overload.projection_waiting_s
    yield GaugeMetricFamily("pagereeve_projection_waiting_seconds", text, value=waiting_s)
    text = "When a task of the kind last completed a round without a failure, seconds since 1970. Absent until one has."
    yield _instants("pagereeve_task_last_success_timestamp_seconds", text, "task", process.tasks.success_us)
    text = "When an event of the type last came, seconds since 1970, also before a restart. Absent until one has come."
    yield _instants("pagereeve_last_event_timestamp_seconds", text, "type", process.engine.last_event_us)
    text = "Steps of this machine's wall clock, which change no date of a fact."
    yield CounterMetricFamily("pagereeve_clock_steps", text, value=process.clock.steps)
    text = "How far this machine's wall clock is ahead of the dates that facts get."
    yield GaugeMetricFamily("pagereeve_clock_ahead_seconds", text, value=process.clock.ahead_us / SECOND_US)
    text = "1 while dates of facts rest on a clock that is agreed, 0 while they are provisional."
    yield GaugeMetricFamily("pagereeve_clock_agreed", text, value=int(process.clock.agreed))
    if process.disk is not None:
        text = "Free space of the disk that the journal is on."
        yield GaugeMetricFamily("pagereeve_disk_free_bytes", text, value=process.disk.free_bytes)
        text = "Size of the disk that the journal is on."
        yield GaugeMetricFamily("pagereeve_disk_size_bytes", text, value=process.disk.size_bytes)


def _instants(name: str, text: str, label: str, instants_us: Mapping[str, int]) -> Metric:
    family = GaugeMetricFamily(name, text, labels=[label])
    for value, at_us in instants_us.items():
        family.add_metric([value], at_us / SECOND_US)
    return family
