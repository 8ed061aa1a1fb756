"""Alerts and notifications as they wait in people's journals: each line is read, and written the same again.

Lines are added for what is new, and none is ever changed or removed, unless a migration rewords what waits.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest

from pagereeve.domain.alerts.alert import MEMBERS_MAX, Alert
from pagereeve.domain.alerts.codec import alert_json, alert_of, notification_json, notification_of
from pagereeve.domain.alerts.message import Notification
from pagereeve.domain.values.canonical import canonical
from pagereeve.domain.values.errors import BadFact

FOLDER = Path(__file__).parent
ALERTS = (FOLDER / "alerts.jsonl").read_bytes().splitlines()
NOTIFICATIONS = (FOLDER / "notifications.jsonl").read_bytes().splitlines()


def test_every_alert_is_written_as_it_was() -> None:
    for line in ALERTS:
        assert canonical(alert_json(alert_of(json.loads(line)))) == line


def test_every_notification_is_written_as_it_was() -> None:
    for line in NOTIFICATIONS:
        assert canonical(notification_json(notification_of(json.loads(line)))) == line


def test_what_may_be_unknown_is_so_in_some_lines_and_not_in_others() -> None:
    alerts, notes = ([json.loads(line) for line in lines] for lines in (ALERTS, NOTIFICATIONS))
    for known, made in ((alerts, Alert), (notes, Notification)):
        for member in fields(made):
            # A member that came later is left out where it is its default, as in a line of before.
            values = [one[member.name] for one in known if member.name in one]
            assert values, member.name
            if any(value in ("", None, []) for value in values):
                assert any(value not in ("", None, []) for value in values), member.name
    for known, optional in (
        (alerts, {"printer", "gateway", "fresh_us", "clear_us", "ended_us", "members", "told_members"}),
        (notes, {"printer", "gateway", "until_us", "pages", "evidence"}),
        ([one["last"] for one in alerts], {"printer", "until_us", "evidence", "pages", "reason", "place"}),
    ):
        for name in optional:
            assert {one[name] in ("", None, []) for one in known} == {True, False}, name
    for name in ("by_person", "wide", "quiet", "more"):
        assert {one[name] for one in alerts} == {True, False}
    assert max(len(one["members"]) for one in alerts) > 1


BROKEN: list[tuple[Callable[[dict[str, Any]], Any], str]] = [
    (lambda alert: alert.update(id=""), r"^alert\.id: is missing or empty"),
    (lambda alert: alert.update(odd=1), "^alert: has unknown members: odd"),
    (lambda alert: alert.update(wide=1), r"^alert\.wide: is a number; true or false"),
    (lambda alert: alert.pop("quiet"), r"^alert\.quiet: is missing; true or false"),
    (lambda alert: alert.update(told=-1), r"^alert\.told: is -1; 0 to"),
    (lambda alert: alert.update(seen_us="noon"), r"^alert\.seen_us: is a text"),
    (lambda alert: alert.update(last=None), r"^alert\.last: is null; an object"),
    (lambda alert: alert.update(members={}), rf"^alert\.members: a list of at most {MEMBERS_MAX} objects"),
    (lambda alert: alert.pop("members"), r"^alert\.members: is missing; a list"),
    (lambda alert: alert["members"].append(7), r"^alert\.members\.\d: is a number; an object"),
    (lambda alert: alert["members"][1].update(severity="odd"), r"^alert\.members\.1\.severity: is 'odd'"),
    (lambda alert: alert["last"].update(state=None), r"^alert\.last\.state: is missing; one of open"),
    (lambda alert: alert["last"]["what"].update(kind="odd"), r"^alert\.last\.what\.kind: is 'odd'"),
    (lambda alert: alert["last"]["what"].update(kind=[]), r"^alert\.last\.what\.kind: is a list"),
    (lambda alert: alert["last"]["evidence"].append({}), r"^alert\.last\.evidence\.\d+\.kind: is missing; one of"),
    (lambda alert: alert.update(told_members=["a", 1]), r"^alert\.told_members\.1: is a number"),
]


@pytest.mark.parametrize(("change", "problem"), BROKEN)
def test_a_broken_value_is_refused_by_its_whole_path(change: Callable[[dict[str, Any]], Any], problem: str) -> None:
    alert = next(known for known in map(json.loads, ALERTS) if len(known["members"]) > 1)
    change(alert)
    with pytest.raises(BadFact, match=problem):
        alert_of(alert)


def test_a_finding_has_sixty_four_lines_of_evidence_at_most() -> None:
    alert = next(known for known in map(json.loads, ALERTS) if known["last"]["evidence"])
    one = alert["last"]["evidence"][0]
    alert["last"]["evidence"] = [one] * 64
    assert alert_json(alert_of(alert)) == alert
    alert["last"]["evidence"] = [one] * 65
    with pytest.raises(BadFact, match=r"^alert\.last\.evidence: a list of at most 64"):
        alert_of(alert)


def test_a_broken_notification_is_refused_by_its_whole_path() -> None:
    known = json.loads(NOTIFICATIONS[0])
    for changed, problem in (
        ({"step": "odd"}, r"^notification\.step: is 'odd'; one of opened, updated, resolved"),
        ({"nth": 0}, r"^notification\.nth: is 0; 1 to"),
        ({"evidence": [1]}, r"^notification\.evidence\.0: is a number"),
        ({"odd": 1}, "^notification: has unknown members: odd"),
    ):
        with pytest.raises(BadFact, match=problem):
            notification_of(known | changed)


@pytest.mark.parametrize(
    ("changed", "taken"),
    [
        ({"nth": 1}, True),
        ({"nth": 2**62}, True),
        ({"nth": 2**62 + 1}, False),
        ({"findings": 0}, True),
        ({"findings": -1}, False),
        ({"since_us": -(2**62)}, True),
        ({"since_us": -(2**62) - 1}, False),
        ({"at_us": 2**62 + 1}, False),
        ({"until_us": 2**62}, True),
        ({"pages": -(2**62)}, True),
        ({"pages": 2**62 + 1}, False),
        ({"what": "x" * 16_384}, True),
        ({"what": "x" * 16_385}, False),
        ({"evidence": ["x" * 16_384] * 64}, True),
        ({"evidence": ["x"] * 65}, False),
        ({"evidence": ["x" * 16_385]}, False),
    ],
)
def test_what_a_notification_holds_has_limits(changed: dict[str, Any], taken: bool) -> None:
    members = json.loads(NOTIFICATIONS[0]) | changed
    if taken:
        assert notification_json(notification_of(members)) == members
        return
    with pytest.raises(BadFact, match=next(iter(changed))):
        notification_of(members)
