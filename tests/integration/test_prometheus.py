"""Debian's Prometheus scrapes the running daemon: every query finds something, and an alert reaches its receiver."""

from __future__ import annotations

import asyncio
import re
import subprocess
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import httpx2
import pytest
import pytest_asyncio

from pagereeve.domain.facts.events import FINDING_DECIDED
from pagereeve.ports.intake import Envelope
from tests.acceptance.timeline import Day, a_day
from tests.integration.rules import GRAFANA, alerts, dashboard_expressions, recordings
from tests.integration.watchers import alertmanager, ask, hasty_rules, prometheus, until, webhook

pytestmark = [pytest.mark.asyncio(loop_scope="module"), pytest.mark.timeout(90), pytest.mark.alone]

PRINTER, GATEWAY = "library-upper", "library"
SILENT, SILENT_GATEWAY = "bursary", "offices"
VARIABLES: Final = {
    "instance": ".+",
    "printer": PRINTER,
    "gateway": ".*",
    "channel": "total",
    "__range": "1h",
    "__rate_interval": "10s",
}
# Enough for each window of two scrapes, and for the rules to have been evaluated on them.
SCRAPES_S: Final = 5.0


@dataclass
class Watched:
    day: Day
    prometheus: str
    told: list[dict[str, Any]]
    client: httpx2.AsyncClient

    async def alert(self, name: str, status: str, within_s: float, **labels: str) -> dict[str, Any]:
        wanted = {"alertname": name, **labels}

        async def look() -> dict[str, Any] | None:
            fit = (one for one in self.told if one["status"] == status and wanted.items() <= one["labels"].items())
            return next(fit, None)

        def said() -> str:
            told = [(one["status"], one["labels"]) for one in self.told]
            return f"{name} {status} did not come within {within_s} s, but {told}"

        return await until(look, within_s, said)


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def watched(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Watched]:
    folder = tmp_path_factory.mktemp("watched")
    (folder / "daemon").mkdir()
    async with AsyncExitStack() as stack:
        url, told = stack.enter_context(webhook())
        day = await stack.enter_async_context(a_day(folder / "daemon"))
        host, port = day.app.http_address
        manager = await stack.enter_async_context(alertmanager(folder, url))
        rule_files = hasty_rules(folder, hold="1s")
        base = await stack.enter_async_context(prometheus(folder, f"{host}:{port}", rule_files, manager))
        client = await stack.enter_async_context(httpx2.AsyncClient())
        for owner, pages in (("user-anise", 5), ("user-birch", 3)):
            job = day.job(owner, PRINTER, pages)
            day.badge(owner, GATEWAY)
            await day.charge(job)
        await asyncio.sleep(SCRAPES_S)
        yield Watched(day, base, told, client)


def substituted(expression: str) -> str:
    """As Grafana would send it."""
    return re.sub(r"\$(\w+)", lambda found: VARIABLES[found[1]], expression)


async def empty(watched: Watched, asked: list[tuple[str, str]]) -> list[str]:
    """Those whose answer holds no sample, or one that is not a number."""
    found = []
    for name, expression in asked:
        samples = await ask(watched.client, watched.prometheus, substituted(expression))
        if not samples or any(sample["value"][1] == "NaN" for sample in samples):
            found.append(f"{name}: {expression}")
    return found


async def test_the_daemon_is_scraped_and_all_rules_are_evaluated(watched: Watched) -> None:
    (up,) = await ask(watched.client, watched.prometheus, "up")
    assert up["metric"]["job"] == "pagereeve"
    assert up["value"][1] == "1"
    groups = (await watched.client.get(f"{watched.prometheus}/api/v1/rules")).json()["data"]["groups"]
    rules = [rule for group in groups for rule in group["rules"]]
    assert len(rules) == len(alerts()) + len(recordings())
    assert [(rule["name"], rule.get("lastError")) for rule in rules if rule["health"] != "ok"] == []


@pytest.mark.parametrize("file", GRAFANA, ids=lambda file: file.stem)
async def test_no_panel_is_empty(watched: Watched, file: Path) -> None:
    asked = dashboard_expressions(file)
    assert len(asked) > 8
    assert "\n".join(await empty(watched, asked)) == ""


async def test_no_recording_rule_is_empty(watched: Watched) -> None:
    asked = [(rule["record"], rule["expr"]) for rule in recordings()]
    asked += [(name, name) for name in sorted({rule["record"] for rule in recordings()})]
    assert "\n".join(await empty(watched, asked)) == ""


async def test_a_healthy_house_raises_no_alarm(watched: Watched) -> None:
    """Even with a hold of a second; the college's day has printed and nothing else."""
    assert [one["labels"] for one in watched.told] == []


async def test_the_figures_are_the_ledgers(watched: Watched) -> None:
    people = f'pagereeve_pages_total{{printer="{PRINTER}",channel="total",account="people"}}'
    (sample,) = await ask(watched.client, watched.prometheus, people)
    assert sample["value"][1] == "8"
    (share,) = await ask(
        watched.client,
        watched.prometheus,
        'instance_channel_account:pagereeve_pages:sum{channel="total",account="people"}'
        ' / ignoring (account) instance_channel:pagereeve_pages_counted:sum{channel="total"}',
    )
    assert share["value"][1] == "1"


async def test_a_silent_meter_is_told_to_the_receiver_and_so_is_its_end(watched: Watched) -> None:
    watched.day.college.silence(SILENT, 12.0)
    job = watched.day.job("user-clover", SILENT, 3)
    watched.day.badge("user-clover", SILENT_GATEWAY)
    firing = await watched.alert("PagereeveMeterSilent", "firing", 20, printer=SILENT)
    assert firing["labels"]["severity"] == "critical"
    assert SILENT in firing["annotations"]["summary"]
    assert f"pagereeve findings --printer {SILENT}" in firing["annotations"]["runbook"]
    assert (await watched.day.charge(job)).counted == 3
    over = await watched.alert("PagereeveMeterSilent", "resolved", 30, printer=SILENT)
    assert over["fingerprint"] == firing["fingerprint"]


async def test_stray_pages_are_told_until_a_person_speaks(watched: Watched) -> None:
    # One page, so that no reading falls between its pages: each gap would be a finding of its own.
    await watched.day.college.print_past_queue(PRINTER, 1)
    finding = await watched.day.finding("stray-pages", PRINTER)
    firing = await watched.alert("PagereeveWarningFindings", "firing", 20, printer=PRINTER)
    assert firing["labels"]["severity"] == "warning"
    assert not any(one["status"] == "resolved" for one in watched.told if one["labels"] == firing["labels"])
    said = {"finding": finding.id, "action": "explain", "reason": "test-page", "by": "user-anise"}
    decided = Envelope("/desk", "d-1", FINDING_DECIDED, None, said)
    accepted = await watched.day.app.intake.take(decided, feed="http", wait_s=None)
    assert accepted.outcome == "stored"
    await watched.alert("PagereeveWarningFindings", "resolved", 20, printer=PRINTER)


async def test_promtool_finds_nothing_amiss_in_the_daemons_metrics(watched: Watched) -> None:
    host, port = watched.day.app.http_address
    text = (await watched.client.get(f"http://{host}:{port}/metrics")).text
    assert "pagereeve_pages_total" in text
    done = await asyncio.to_thread(
        subprocess.run, ["promtool", "check", "metrics"], input=text, capture_output=True, text=True, check=False
    )
    complaints = [line for line in (done.stdout + done.stderr).splitlines() if "pagereeve" in line]
    assert complaints == []
    assert done.returncode == 0, done.stderr


async def test_a_gateway_that_is_off_makes_one_alert_and_not_twenty(tmp_path: Path) -> None:
    """prometheus/alertmanager#204, by the committed inhibit rules. Alerts as Prometheus would send them."""
    site = {"job": "pagereeve", "instance": "reeve:8731", "severity": "critical"}
    printers = [{**site, "alertname": "PagereeveMeterSilent", "printer": f"p-{nth}"} for nth in range(20)]
    other = {**printers[0], "instance": "other:8731"}
    sent = [{**site, "alertname": "PagereeveManyMetersSilent"}, *printers, other]
    with webhook() as (url, told):
        async with alertmanager(tmp_path, url) as manager, httpx2.AsyncClient() as client:
            await client.post(f"http://{manager}/api/v2/alerts", json=[{"labels": labels} for labels in sent])

            async def look() -> bool | None:
                return len(told) >= 2 or None

            await until(look, 15, lambda: f"told: {told}")
            await asyncio.sleep(1.5)
            known = (await client.get(f"http://{manager}/api/v2/alerts")).json()
    assert len(known) == len(sent)
    names = sorted((one["labels"]["alertname"], one["labels"]["instance"]) for one in told)
    assert names == [("PagereeveManyMetersSilent", "reeve:8731"), ("PagereeveMeterSilent", "other:8731")]
