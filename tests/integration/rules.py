"""The rule files and dashboards as the tests read them."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import yaml

ROOT = Path(__file__).parents[2]
DASHBOARDS = ROOT / "dashboards"
RULES = DASHBOARDS / "rules"
RULE_FILES = tuple(RULES / f"{name}.yml" for name in ("recording", "alerting", "alerting-findings"))
TEST_FILES = tuple(sorted((RULES / "tests").glob("*.yml")))
GRAFANA = tuple(sorted((DASHBOARDS / "grafana").glob("*.json")))
# Of Prometheus itself and of the process; every other name must be one of ours.
FOREIGN = {"up", "process_start_time_seconds", "process_cpu_seconds_total", "process_resident_memory_bytes"}
METRIC = re.compile(r"(?<![\w:\"])(?:pagereeve|process)_\w+|(?<![\w:\"])up(?=\{)")
VALUES = re.compile(r"label_values\((.+), \w+\)")
QUOTED = re.compile(r'"[^"]*"')


def rules(file: Path) -> list[dict[str, Any]]:
    return [rule for group in yaml.safe_load(file.read_text(encoding="utf-8"))["groups"] for rule in group["rules"]]


def alerts() -> list[dict[str, Any]]:
    return [rule for file in RULE_FILES[1:] for rule in rules(file)]


def recordings() -> list[dict[str, Any]]:
    return rules(RULES / "recording.yml")


def panels(dashboard: dict[str, Any]) -> Iterator[dict[str, Any]]:
    for panel in dashboard["panels"]:
        yield panel
        yield from panel.get("panels", [])


def dashboard_expressions(file: Path) -> list[tuple[str, str]]:
    """(panel's title, expression) of each query; of a variable, its name and the series that have its values."""
    dashboard = json.loads(file.read_text(encoding="utf-8"))
    variables = [(one["name"], one["query"]) for one in dashboard["templating"]["list"] if one["type"] == "query"]
    asked = [(name, VALUES.fullmatch(query)) for name, query in variables]
    return [(name, found[1]) for name, found in asked if found] + [
        (panel.get("title", ""), target["expr"]) for panel in panels(dashboard) for target in panel.get("targets", [])
    ]


def metrics_in(expression: str) -> set[str]:
    """The names of scraped series in an expression; what stands in quotes and what rules recorded is left out."""
    return set(METRIC.findall(QUOTED.sub('""', expression)))


def recorded_in(expression: str) -> set[str]:
    return set(re.findall(r"[a-z]\w*:pagereeve_\w+:\w+", QUOTED.sub('""', expression)))
