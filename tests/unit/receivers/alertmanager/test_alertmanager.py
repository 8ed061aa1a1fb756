"""What is posted to Alertmanager: identities that don't move, times that run out, and the rest as annotations."""

from __future__ import annotations

import json

import pytest

from pagereeve.domain.values.instants import SECOND_US, to_text
from pagereeve.receivers.alertmanager.alertmanager import AlertmanagerReceiver, alert_name, alert_of
from pagereeve.receivers.alertmanager.settings import AlertmanagerSettings
from tests.notices import AT_US, SINCE_US, StandingClock, notice, over

CONFIG = AlertmanagerSettings(name="am", url="http://127.0.0.1:9093", generator_url="https://wiki.example/p")


def test_labels_are_few_and_everything_else_is_an_annotation() -> None:
    alert = alert_of(notice(), CONFIG, AT_US)
    assert alert["labels"] == {
        "alertname": "PagereeveFindingMeterSilent",
        "severity": "critical",
        "kind": "meter-silent",
        "alert": "a-5f0c9d7e21b4",
        "printer": "library-1",
        "gateway": "library-gw",
    }
    assert alert["annotations"] == {
        "summary": "The meter of library-1 does not answer",
        "description": "library-1 has not answered since 09:00, and two releases needed its count.",
        "subject": "library-1",
        "cost": "The pages of two releases can't be proved.",
        "evidence": "09:00:05 to 09:00:08: 1 read failed (timeout)\n09:01:05: no answer",
        "first": "See whether the printer is on and its network cable is in.",
        "command": "pagereeve findings show f-0a1b2c3d4e5f",
        "findings": "2",
        "pages": "14",
    }
    assert alert["generatorURL"] == "https://wiki.example/p"


def test_what_is_unknown_has_no_label_and_no_annotation() -> None:
    alert = alert_of(
        notice(printer="", gateway="", pages=None, cost=""), AlertmanagerSettings(name="am", url="http://h"), AT_US
    )
    assert set(alert["labels"]) == {"alertname", "severity", "kind", "alert"}
    assert {"pages", "cost"} & set(alert["annotations"]) == set()
    assert "generatorURL" not in alert


def test_the_labels_of_an_alert_stay_the_same() -> None:
    later = notice(step="updated", nth=2, title="more of it", findings=7, pages=99)
    assert len({json.dumps(alert_of(one, CONFIG, AT_US)["labels"]) for one in (notice(), later, over())}) == 1


def test_what_stands_runs_out_after_four_refreshes() -> None:
    alert = alert_of(notice(), CONFIG, AT_US)
    assert (alert["startsAt"], alert["endsAt"]) == (to_text(SINCE_US), to_text(AT_US + 240 * SECOND_US))


@pytest.mark.parametrize(
    ("until_us", "now_us", "ends_us"),
    [
        (AT_US + 60 * SECOND_US, AT_US + 600 * SECOND_US, AT_US + 60 * SECOND_US),
        (None, AT_US + 700 * SECOND_US, AT_US + 600 * SECOND_US),
        # The clock was set back: an end still to come would keep the alert standing.
        (AT_US + 60 * SECOND_US, AT_US, AT_US),
        # And before its beginning it would be refused.
        (SINCE_US - SECOND_US, AT_US, SINCE_US),
    ],
)
def test_what_is_over_ends_in_the_past(until_us: int | None, now_us: int, ends_us: int) -> None:
    assert alert_of(over(until_us=until_us), CONFIG, now_us)["endsAt"] == to_text(ends_us)


@pytest.mark.parametrize(
    ("kind", "name"),
    [
        ("meter-silent", "PagereeveFindingMeterSilent"),
        ("diagnosis", "PagereeveFindingDiagnosis"),
        ("badge-in-two-places", "PagereeveFindingBadgeInTwoPlaces"),
        ("odd kind/é-x", "PagereeveFindingOddKindX"),
    ],
)
def test_the_name_of_an_alert(kind: str, name: str) -> None:
    assert alert_name(kind) == name


def test_no_secret_is_shown() -> None:
    settings = AlertmanagerSettings(name="am", url="http://h/hidden-path")
    receiver = AlertmanagerReceiver(settings, StandingClock(), token="hidden-token")
    assert "hidden" not in repr(settings) + repr(vars(receiver))
