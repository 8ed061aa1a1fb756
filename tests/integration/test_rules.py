"""The alerting rules: promtool's own tests, and that no alert goes without a timeline, a runbook and a known metric."""

from __future__ import annotations

import re
import subprocess
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, Final

import pytest
import yaml

from pagereeve.cli import COMMANDS
from pagereeve.domain.findings.finding import SEVERITY
from tests.integration.rules import (
    FOREIGN,
    GRAFANA,
    ROOT,
    RULE_FILES,
    RULES,
    TEST_FILES,
    alerts,
    dashboard_expressions,
    metrics_in,
    recorded_in,
    recordings,
)

FIRING: Final = re.compile(r'^ALERTS\{alertname="(\w+)",alertstate="firing"\}$')
NEVER: Final = re.compile(r'^count_over_time\(ALERTS\{alertname="(\w+)",alertstate="firing"\}\[\d+m\]\)$')
UNBROKEN: Final = re.compile(r'^min\(count_over_time\(ALERTS\{alertname="(\w+)",alertstate="firing"\}\[\d+m\]\)\)$')
SEVERITIES: Final = ("critical", "warning", "info")
# Stable labels of Prometheus itself and of the daemon's metrics; never a person, badge or job.
LABELS: Final = {
    *("job", "instance", "printer", "gateway", "kind", "part", "task", "feed", "receiver", "type"),
    *("site", "centre", "cause"),
}


def promtool(*arguments: str | Path) -> tuple[int, str]:
    done = subprocess.run(["promtool", *map(str, arguments)], capture_output=True, text=True, check=False, timeout=170)
    return done.returncode, done.stdout + done.stderr


def moments() -> list[dict[str, Any]]:
    documents = [yaml.safe_load(file.read_text(encoding="utf-8")) for file in TEST_FILES]
    return [one for document in documents for test in document["tests"] for one in test["promql_expr_test"]]


def alert_of(pattern: re.Pattern[str], moment: dict[str, Any]) -> str | None:
    found = pattern.match(moment["expr"])
    return None if found is None else found[1]


def test_the_rules_are_sound() -> None:
    status, text = promtool("check", "rules", *RULE_FILES)
    assert status == 0, text
    assert "FAILED" not in text


@pytest.mark.timeout(180)
def test_every_timeline_comes_out_as_written() -> None:
    with ThreadPoolExecutor(max_workers=2) as pool:
        results = list(pool.map(lambda file: promtool("test", "rules", file), TEST_FILES))
    assert len(results) >= 6
    assert [text for status, text in results if status != 0] == []


def test_every_alert_is_seen_firing_and_seen_quiet_before_and_after() -> None:
    firing: set[str] = set()
    quiet: set[str] = set()
    for moment in moments():
        alert = alert_of(FIRING, moment)
        if alert is not None:
            (firing if moment["exp_samples"] else quiet).add(alert)
    names = {rule["alert"] for rule in alerts()}
    assert sorted(names - firing) == []
    assert sorted(names - quiet) == []
    assert sorted((firing | quiet) - names) == [], "a test of an alert that is none"


def test_every_alert_meets_an_input_that_flaps() -> None:
    """prometheus/alertmanager#204: never, or one alert without a break."""
    calm = {alert_of(NEVER, moment) or alert_of(UNBROKEN, moment) for moment in moments()}
    assert sorted({rule["alert"] for rule in alerts()} - calm) == []


def test_every_alert_has_a_severity_a_hold_and_texts() -> None:
    for rule in alerts():
        name = rule["alert"]
        assert re.fullmatch(r"Pagereeve([A-Z][a-z]+)+", name), name
        assert rule["labels"] == {"severity": rule["labels"]["severity"]}, name
        assert rule["labels"]["severity"] in SEVERITIES, name
        assert "keep_firing_for" in rule, name
        assert "for" in rule or "increase(" in rule["expr"], name
        assert set(rule["annotations"]) == {"summary", "description", "runbook"}, name


def test_every_runbook_says_what_it_means_what_it_costs_what_to_do_and_what_shows_more() -> None:
    known = {command for command, *_ in COMMANDS}
    for rule in alerts():
        lines = rule["annotations"]["runbook"].splitlines()
        assert [line.split(":")[0] for line in lines] == ["Meaning", "Cost", "First", "More"], rule["alert"]
        assert all(len(line) > 12 for line in lines), rule["alert"]
        for command in re.findall(r"`pagereeve ([\w-]+)", rule["annotations"]["runbook"]):
            assert command in known, rule["alert"]


def test_texts_name_only_labels_that_the_alert_has() -> None:
    seen: dict[str, set[str]] = {}
    for moment in moments():
        alert = alert_of(FIRING, moment)
        for sample in moment["exp_samples"] if alert is not None else []:
            seen.setdefault(str(alert), set()).update(re.findall(r'(\w+)="', sample["labels"]))
    for rule in alerts():
        used = set(re.findall(r"\$labels\.(\w+)", " ".join(rule["annotations"].values())))
        assert used <= seen[rule["alert"]], rule["alert"]
        assert seen[rule["alert"]] <= LABELS | {"alertname", "alertstate", "severity"}, rule["alert"]


def test_the_severities_are_those_of_the_findings() -> None:
    classes = {one: {kind for kind, severity in SEVERITY.items() if severity == one} for one in SEVERITIES}
    told = 0
    for rule in [*alerts(), *recordings()]:
        for kinds in re.findall(r'kind=~"([^"]+)"', rule["expr"]):
            told += 1
            assert set(kinds.split("|")) == classes[rule["labels"]["severity"]], rule["expr"]
    assert told == 7
    assert {rule["labels"]["severity"] for rule in recordings() if "labels" in rule} == set(SEVERITIES)


def test_every_metric_is_told_in_the_table_and_every_recorded_one_is_recorded() -> None:
    document = (ROOT / "daemon" / "pagereeve" / "telemetry" / "README.md").read_text(encoding="utf-8")
    table = set(re.findall(r"^\| `(pagereeve_\w+)` \| (?:gauge|counter) \|", document, re.MULTILINE))
    expressions = [rule["expr"] for rule in [*alerts(), *recordings()]]
    expressions += [expression for file in GRAFANA for _, expression in dashboard_expressions(file)]
    used = {name for expression in expressions for name in metrics_in(expression)}
    assert sorted(used - table - FOREIGN) == []
    recorded = {rule["record"] for rule in recordings()}
    assert sorted({name for one in expressions for name in recorded_in(one)} - recorded) == []
    assert len(used & table) > 20


def test_the_rules_and_their_tests_stand_in_one_place() -> None:
    assert sorted(path.name for path in RULES.iterdir()) == sorted([*(file.name for file in RULE_FILES), "tests"])
