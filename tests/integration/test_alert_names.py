"""One Alertmanager that hears of a site from its daemon and from Prometheus: no alert of one has the other's name."""

from __future__ import annotations

import asyncio
import re
from pathlib import Path
from typing import Final, get_args

import httpx2
import yaml

from pagereeve.domain.findings.finding import Kind
from pagereeve.receivers.alertmanager.alertmanager import NAME_BEGINS, alert_name
from tests.integration.rules import DASHBOARDS, RULES, alerts, metrics_in, recorded_in, rules
from tests.integration.test_receivers_alertmanager import now, receiver
from tests.integration.watchers import alertmanager, until, webhook

KINDS: Final = get_args(Kind)
OF_FINDINGS: Final = RULES / "alerting-findings.yml"
# What says the same as a finding does: rules on it are about what the daemon's own alerts are about.
SAID_BY_FINDINGS: Final = {"pagereeve_open_findings", "pagereeve_site_open_findings", "pagereeve_gateway_up"}
AWAITED: Final = re.compile(r"pagereeve_meters_awaited_silent|pagereeve_meter_up")
# It looks at when events came, and the finding feed-silent at the same.
SAME_CAUSE: Final = {"PagereeveBadgesWithoutReleases"}


def about_findings(expression: str) -> bool:
    recorded = " ".join(recorded_in(expression))
    return bool(metrics_in(expression) & SAID_BY_FINDINGS or AWAITED.search(expression) or "open_findings" in recorded)


def test_the_daemons_names_and_those_of_the_rules_have_none_in_common() -> None:
    of_daemon = {alert_name(kind) for kind in KINDS} | {"PagereeveTrialMessage", "PagereeveDigestMessage"}
    of_rules = {rule["alert"] for rule in alerts()}
    assert len(of_daemon) == len(KINDS) + 2
    assert of_daemon & of_rules == set()
    # Nor will a kind have one that is still to come.
    assert [name for name in of_rules if name.startswith(NAME_BEGINS)] == []


def test_rules_about_what_findings_say_stand_in_a_file_of_their_own() -> None:
    apart = {rule["alert"] for rule in rules(OF_FINDINGS)}
    same = {rule["alert"] for rule in alerts() if about_findings(rule["expr"])}
    assert apart == same | SAME_CAUSE


def test_every_name_in_the_inhibit_rules_is_one_of_an_alert() -> None:
    known = {alert_name(kind) for kind in KINDS} | {rule["alert"] for rule in alerts()}
    inhibit = yaml.safe_load((DASHBOARDS / "alertmanager-inhibit.yml").read_text(encoding="utf-8"))["inhibit_rules"]
    matchers = [one for rule in inhibit for one in (*rule["source_matchers"], *rule["target_matchers"])]
    named = {name for one in matchers for name in re.findall(r"Pagereeve[A-Za-z]+", one) if one.startswith("alertname")}
    assert named - known == set()
    assert len(named) > 15


async def test_the_daemons_alert_keeps_a_rule_about_the_same_printer_quiet(tmp_path: Path) -> None:
    """By the committed inhibit rules: what is said once is not said again in other words."""
    site = {"job": "pagereeve", "instance": "reeve:8731", "severity": "info", "alertname": "PagereeveMeterStopped"}
    behind = {**site, "printer": "library-2", "gateway": "library-gw"}
    away = {**site, "printer": "office-1", "gateway": "office-gw"}
    with webhook() as (url, told):
        async with alertmanager(tmp_path, url) as manager, httpx2.AsyncClient() as client:
            one = receiver(f"http://{manager}")
            await one.deliver(now(alert="a-1"))
            await one.deliver(now(alert="a-2", kind="gateway-down", printer="", gateway="attic-gw"))
            await one.close()
            attic = {**site, "printer": "attic-1", "gateway": "attic-gw"}
            same = {**site, "printer": "library-1", "gateway": "library-gw"}
            sent = [{"labels": labels} for labels in (same, attic, behind, away)]
            await client.post(f"http://{manager}/api/v2/alerts", json=sent)

            async def look() -> bool | None:
                return len(told) >= 4 or None

            await until(look, 15, lambda: f"told: {told}")
            # What should not come would come now.
            await asyncio.sleep(1.0)
    names = sorted((one["labels"]["alertname"], one["labels"].get("printer", "")) for one in told)
    assert names == [
        ("PagereeveFindingGatewayDown", ""),
        ("PagereeveFindingMeterSilent", "library-1"),
        ("PagereeveMeterStopped", "library-2"),
        ("PagereeveMeterStopped", "office-1"),
    ]
