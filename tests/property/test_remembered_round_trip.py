"""Whatever a resume point, an alert or a message remembers comes back the same from its JSON."""

from __future__ import annotations

import json

from hypothesis import given

from pagereeve.domain.alerts.alert import Alert
from pagereeve.domain.alerts.codec import alert_json, alert_of, notification_json, notification_of
from pagereeve.domain.alerts.message import Notification
from pagereeve.domain.badges.projector import BadgeResumePoint
from pagereeve.domain.badges.state import CHECKS, ChecksState
from pagereeve.domain.projection.resume_point import ResumePoint
from pagereeve.domain.values.canonical import canonical
from pagereeve.domain.values.fields import Fields
from tests.facts_strategies import INSTANTS_US
from tests.remembered_strategies import ALERTS, NOTIFICATIONS, checks_states, resume_points


@given(resume_points())
def test_a_printers_resume_point_survives_json(point: ResumePoint) -> None:
    assert ResumePoint.from_json(json.loads(canonical(point.to_json()))) == point


@given(INSTANTS_US, checks_states())
def test_a_resume_point_of_the_badge_checks_survives_json(at_us: int, state: ChecksState) -> None:
    point = BadgeResumePoint(at_us, CHECKS.write(state))
    again = BadgeResumePoint.from_json(json.loads(canonical(point.to_json())))
    assert canonical(again.to_json()) == canonical(point.to_json())
    known = CHECKS.read(Fields(again.state, ""))
    assert known == state
    assert list(known.readers) == list(state.readers)
    assert list(known.gateways) == list(state.gateways)


@given(ALERTS)
def test_an_alert_survives_json(alert: Alert) -> None:
    assert alert_of(json.loads(canonical(alert_json(alert)))) == alert


@given(NOTIFICATIONS)
def test_a_message_survives_json(message: Notification) -> None:
    assert notification_of(json.loads(canonical(notification_json(message)))) == message
