"""What is scraped parses strictly, has its known label sets from the start, and names no person."""

from __future__ import annotations

import gzip
from dataclasses import replace
from random import Random
from typing import Any, get_args

import pytest
from prometheus_client.metrics_core import Metric
from prometheus_client.parser import text_string_to_metric_families

from pagereeve.domain.facts.reading import SilenceReason
from pagereeve.domain.findings.finding import Kind
from pagereeve.ports.telemetry import (
    EngineTelemetry,
    FeedTelemetry,
    GatewayTelemetry,
    MeterTelemetry,
    PrinterTelemetry,
    TaskTelemetry,
)
from pagereeve.telemetry.metrics import MetricsPage
from pagereeve.telemetry.printer_metrics import PrinterPages, printer_metrics
from tests.telemetry_stub import PROCESS, StubTelemetry

LIBRARY = PrinterTelemetry(
    printer="library",
    meter={"total": 1005, "colour": 17},
    last_reading_us=1_800_000_000_123_456,
    up=True,
    open_windows=2,
    open_findings={"surplus": 3},
    pages={("total", "people"): 5, ("total", "stray"): 7, ("total", "shortfall"): -2},
    pages_waiting={"total": 4},
    releases_waiting=2,
)


def scrape(telemetry: StubTelemetry) -> dict[str, Metric]:
    page = MetricsPage(telemetry)
    text = b"".join(page.render(page.take())).decode()
    families = list(text_string_to_metric_families(text))
    names = [family.name for family in families]
    assert len(names) == len(set(names)), "a family may stand only once"
    seen = [(sample.name, tuple(sorted(sample.labels.items()))) for one in families for sample in one.samples]
    assert len(seen) == len(set(seen)), "a series may stand only once"
    return {family.name: family for family in families}


def value(family: Metric, **labels: str) -> float:
    (sample,) = [one for one in family.samples if one.labels == labels]
    return float(sample.value)


def test_a_gateway_shows_its_own_sign_of_life_once_it_was_looked_at() -> None:
    telemetry = StubTelemetry([])
    gateways = {
        "gate-1": GatewayTelemetry(up=True, changed_us=1_800_000_000_500_000),
        "gate-2": GatewayTelemetry(up=False, changed_us=1_800_000_001_000_000),
        "gate-3": GatewayTelemetry(),
    }
    telemetry.own = replace(PROCESS, gateways=gateways)
    families = scrape(telemetry)
    shown = {sample.labels["gateway"]: sample.value for sample in families["pagereeve_gateway_up"].samples}
    assert shown == {"gate-1": 1, "gate-2": 0}
    changed = families["pagereeve_gateway_last_change_timestamp_seconds"]
    assert value(changed, gateway="gate-1") == 1_800_000_000.5


def test_a_printer_shows_its_meter_and_what_became_of_its_pages() -> None:
    families = scrape(StubTelemetry([LIBRARY]))
    assert value(families["pagereeve_meter_reading"], printer="library", channel="total") == 1005
    assert value(families["pagereeve_last_reading_timestamp_seconds"], printer="library") == 1_800_000_000.123456
    assert value(families["pagereeve_meter_up"], printer="library") == 1
    assert value(families["pagereeve_open_windows"], printer="library") == 2
    pages = families["pagereeve_pages"]
    assert pages.type == "counter"
    assert value(pages, printer="library", channel="total", account="people") == 5
    assert value(pages, printer="library", channel="total", account="shortfall") == 2
    assert value(pages, printer="library", channel="colour", account="stray") == 0
    assert value(families["pagereeve_pages_waiting"], printer="library", channel="total") == 4
    assert value(families["pagereeve_pages_waiting"], printer="library", channel="colour") == 0
    assert value(families["pagereeve_releases_waiting"], printer="library") == 2


def test_every_kind_of_finding_is_there_at_0_before_the_first_one() -> None:
    # prometheus/prometheus#1673: a series that is born at 1 never rises.
    family = scrape(StubTelemetry([PrinterTelemetry("new")]))["pagereeve_open_findings"]
    assert {sample.labels["kind"]: sample.value for sample in family.samples} == dict.fromkeys(get_args(Kind), 0)


def test_what_is_not_known_of_a_printer_has_no_sample() -> None:
    families = scrape(StubTelemetry([PrinterTelemetry("new")]))
    for name in ("pagereeve_meter_reading", "pagereeve_last_reading_timestamp_seconds", "pagereeve_meter_up"):
        assert families[name].samples == []


def test_known_results_outcomes_and_reasons_are_there_at_0_from_the_start() -> None:
    families = scrape(StubTelemetry())
    reads = {sample.labels["result"] for sample in families["pagereeve_reads"].samples}
    assert reads == {"reading", *(reason.value for reason in SilenceReason)}
    outcomes = {sample.labels["outcome"] for sample in families["pagereeve_events"].samples}
    assert outcomes == {"stored", "duplicate", "conflict", "quarantined", "ignored"}
    assert value(families["pagereeve_refused"], feed="http", reason="bad-json") == 0
    assert value(families["pagereeve_refused_datagrams"], kind="late") == 0
    assert value(families["pagereeve_refused_badges"], reason="parity") == 2
    assert value(families["pagereeve_site_open_findings"], kind="unknown-badge") == 3
    assert value(families["pagereeve_meter_oddities"], kind="slow-read") == 3
    assert value(families["pagereeve_task_restarts"], task="printers") == 0


def test_counts_of_the_process_are_those_of_the_telemetry() -> None:
    feeds = {
        "http": FeedTelemetry({"stored": 9, "duplicate": 1}, {"bad-json": 4}, requests_open=3_072, requests_max=4_096),
        "badges": FeedTelemetry(
            {"stored": 2}, {}, connections_open=3, connections_max=4, lost_lines=1, relay_up=True, relay_broken=5
        ),
        "other": FeedTelemetry({}, {}, connections_open=3),
    }
    meter = MeterTelemetry({"reading": 12, "timeout": 3}, receive_drops=13)
    telemetry = StubTelemetry(own=replace(PROCESS, feeds=feeds, meter=meter, engine=EngineTelemetry(rewinds=6)))
    telemetry.journal(
        queue_depth=8, waiting_us=2_500_000, commits=11, last_commit_us=1_800_000_000_000_000, alive=False
    )
    families = scrape(telemetry)
    assert value(families["pagereeve_events"], feed="badges", outcome="stored") == 2
    assert value(families["pagereeve_events"], feed="badges", outcome="conflict") == 0
    assert value(families["pagereeve_feed_connections"], feed="badges") == 3
    for feed, load in (("http", 0.75), ("badges", 0.75), ("other", 0)):
        assert value(families["pagereeve_feed_load_ratio"], feed=feed) == load
    assert value(families["pagereeve_reads"], result="timeout") == 3
    assert value(families["pagereeve_receive_drops"]) == 13
    assert value(families["pagereeve_rewinds"]) == 6
    assert value(families["pagereeve_journal_queue_depth"]) == 8
    assert value(families["pagereeve_journal_waiting_seconds"]) == 2.5
    assert value(families["pagereeve_journal_commits"]) == 11
    assert value(families["pagereeve_journal_up"]) == 0
    assert value(families["pagereeve_journal_last_commit_timestamp_seconds"]) == 1_800_000_000
    assert "process_cpu_seconds" in families


def test_no_commit_yet_is_no_time_of_1970() -> None:
    assert scrape(StubTelemetry())["pagereeve_journal_last_commit_timestamp_seconds"].samples == []


def test_until_the_first_commit_the_newest_fact_of_the_journal_is_its_time() -> None:
    telemetry = StubTelemetry(own=replace(PROCESS, engine=EngineTelemetry(newest_us=1_700_000_000_000_000)))
    name = "pagereeve_journal_last_commit_timestamp_seconds"
    assert value(scrape(telemetry)[name]) == 1_700_000_000
    telemetry.journal(last_commit_us=1_800_000_000_000_000)
    assert value(scrape(telemetry)[name]) == 1_800_000_000


@pytest.mark.parametrize(
    "name", ['say "hi"', "back\\slash", "line\nbreak", "Drucker 3. Stock", "プリンタ", '\\"', "\\n"]
)
def test_any_printer_name_comes_back_as_it_is(name: str) -> None:
    families = {one.name: one for one in text_string_to_metric_families(printer_metrics([PrinterTelemetry(name)]))}
    assert families["pagereeve_open_windows"].samples[0].labels == {"printer": name}


def test_labels_never_name_people_badges_or_jobs() -> None:
    allowed = {"printer", "channel", "kind", "account", "feed", "outcome", "reason", "result", "task", "version"}
    allowed |= {"part", "type", "severity", "receiver", "gateway", "code"}
    families = scrape(StubTelemetry([LIBRARY]))
    ours = [sample for name, one in families.items() if name.startswith("pagereeve") for sample in one.samples]
    assert {label for sample in ours for label in sample.labels} <= allowed


def test_names_end_in_their_unit_and_have_help() -> None:
    for name, family in scrape(StubTelemetry([LIBRARY])).items():
        if name.startswith("pagereeve"):
            assert family.documentation.endswith("."), name
            assert not name.endswith(("_us", "_ms", "_count")), name


def test_the_number_of_series_is_printers_times_a_fixed_set() -> None:
    """Bounded by the registry, never by persons, badges or jobs."""

    def series(number: int) -> int:
        many = [replace(LIBRARY, printer=f"printer-{nth}") for nth in range(number)]
        return sum(not line.startswith("#") for line in printer_metrics(many).splitlines())

    assert series(0) == 0
    assert series(10) == 10 * series(1)
    assert series(1) < 80


def test_messages_and_alerts_are_there_from_the_start() -> None:
    families = scrape(StubTelemetry())

    def values(name: str) -> dict[tuple[str, ...], float]:
        return {tuple(sorted(sample.labels.values())): sample.value for sample in families[name].samples}

    assert values("pagereeve_open_alerts") == {("critical",): 1, ("warning",): 0, ("info",): 0}
    outcomes = {("delivered", "desk"): 3, ("desk", "failed"): 1, ("desk", "refused"): 0, ("desk", "dropped"): 0}
    assert values("pagereeve_notifications") == outcomes
    assert values("pagereeve_notifications_waiting") == {("desk",): 2}
    assert values("pagereeve_notification_oldest_timestamp_seconds") == {("desk",): 5_000_000}
    assert values("pagereeve_receiver_last_success_timestamp_seconds") == {}


def test_what_is_kept_between_scrapes_is_what_would_be_written_anew() -> None:
    random, pages = Random(20261127), PrinterPages()
    known = {f"printer-{nth}": replace(LIBRARY, printer=f"printer-{nth}") for nth in range(6)}
    changes: list[dict[str, Any]] = [
        {"meter": {"total": 1006}},
        {"meter": {"total": 1006, "copy": 1}},
        {"last_reading_us": 1_800_000_001_000_000},
        {"up": False},
        {"up": None},
        {"open_windows": 0},
        {"settle_us": 12_000_000},
        {"open_findings": {}},
        {"open_findings": {"diagnosis": 1}},
        {"pages": {("total", "people"): 6}},
        {"figures_known": False},
        {"figures_known": True},
    ]
    for _ in range(300):
        name = f"printer-{random.randrange(6)}"
        if random.random() < 0.1:
            known.pop(name, None)
        else:
            known[name] = replace(known.get(name, PrinterTelemetry(name)), **random.choice(changes))
        assert pages.render(known.values()).decode() == printer_metrics(known.values())


def test_a_page_of_thousands_comes_in_parts_that_hold_nobody_up() -> None:
    page = MetricsPage(StubTelemetry([replace(LIBRARY, printer=f"printer-{nth}") for nth in range(2_000)]))
    parts = page.render(page.take())
    whole = b"".join(parts)
    assert whole.count(b"pagereeve_meter_up{") == 2_000
    assert max(map(len, parts)) < len(whole) / 5
    assert gzip.decompress(b"".join(page.render(page.take(), zipped=True)))[-10_000:] == whole[-10_000:]


def test_before_its_projector_is_read_a_printer_has_no_findings_and_no_pages() -> None:
    families = scrape(StubTelemetry([replace(LIBRARY, figures_known=False)]))
    assert families["pagereeve_open_findings"].samples == []
    assert families["pagereeve_pages"].samples == []
    assert value(families["pagereeve_meter_reading"], printer="library", channel="total") == 1005


def test_health_is_shown_by_part_and_times_are_absent_until_there_is_one() -> None:
    families = scrape(StubTelemetry())
    assert families["pagereeve_task_last_success_timestamp_seconds"].samples == []
    assert families["pagereeve_last_event_timestamp_seconds"].samples == []
    assert value(families["pagereeve_ready"]) == 1
    tasks = TaskTelemetry(success_us={"badges": 1_800_000_000_500_000})
    engine = EngineTelemetry(last_event_us={"badge": 1_800_000_000_000_000})
    own = replace(PROCESS, parts={"disk": "full"}, tasks=tasks, engine=engine, loop_lag_s=0.25)
    families = scrape(StubTelemetry(own=own))
    assert value(families["pagereeve_ready"]) == 0
    assert value(families["pagereeve_part_ready"], part="disk") == 0
    assert value(families["pagereeve_part_ready"], part="tasks") == 1
    assert value(families["pagereeve_task_last_success_timestamp_seconds"], task="badges") == 1_800_000_000.5
    assert value(families["pagereeve_last_event_timestamp_seconds"], type="badge") == 1_800_000_000
    assert value(families["pagereeve_event_loop_lag_seconds"]) == 0.25
