"""What the program says, the documents explain: findings, reasons, commands, metrics, policy."""

from __future__ import annotations

import re
from pathlib import Path
from typing import get_args

import pytest

from pagereeve.cli import COMMANDS
from pagereeve.domain.findings.finding import Kind
from pagereeve.domain.ledger import HOUSE_KINDS, Grade, Verdict
from pagereeve.reports.sentences import REASONS
from pagereeve.settings import PolicySettings
from pagereeve.telemetry.metrics import MetricsPage
from tests.telemetry_stub import StubTelemetry

ROOT = Path(__file__).parents[2]
DOCUMENTS = "\n".join((ROOT / name).read_text(encoding="utf-8") for name in ("README.md", "DEVELOPERS.md"))


def told(word: str) -> bool:
    return re.search(rf"(?<![\w-]){re.escape(word)}(?![\w-])", DOCUMENTS) is not None


@pytest.mark.parametrize("kind", get_args(Kind))
def test_every_kind_of_finding(kind: str) -> None:
    assert told(kind)


@pytest.mark.parametrize("word", [*Grade, *Verdict, *(f"house:{kind}" for kind in HOUSE_KINDS)])
def test_every_grade_verdict_and_house_account(word: str) -> None:
    assert told(str(word))


@pytest.mark.parametrize("reason", sorted(REASONS))
def test_every_reason(reason: str) -> None:
    assert told(reason)


@pytest.mark.parametrize("setting", sorted(PolicySettings.model_fields))
def test_every_rule_of_the_policy(setting: str) -> None:
    assert told(setting)


def test_every_command() -> None:
    assert [name for name, *_ in COMMANDS if not told(f"pagereeve {name}")] == []


def test_every_metric() -> None:
    page = MetricsPage(StubTelemetry())
    text = page.render(page.take()).decode()
    names = {line.split()[2] for line in text.splitlines() if line.startswith("# TYPE pagereeve_")}
    assert len(names) > 20
    assert sorted(name for name in names if not told(name)) == []
