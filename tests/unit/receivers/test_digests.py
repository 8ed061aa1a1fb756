"""A digest as each kind of receiver sends it: a list of what is open, which is no step of any alert."""

from __future__ import annotations

from dataclasses import replace

from pagereeve.domain.alerts.alert import Alert, SiteLayout, begun
from pagereeve.domain.alerts.codec import notification_json, notification_of
from pagereeve.domain.alerts.digest import LISTED_MAX, digest
from pagereeve.domain.alerts.telling import compose
from pagereeve.domain.findings.finding import Kind, make
from pagereeve.domain.values.instants import SECOND_US, from_text
from pagereeve.receivers.alertmanager.alertmanager import alert_of
from pagereeve.receivers.alertmanager.settings import AlertmanagerSettings
from pagereeve.receivers.mail.text import html_of, mail_of
from pagereeve.receivers.syslog.text import RECORD_MAX_BYTES, RecordForm, record_of
from pagereeve.receivers.webhook.webhook import event_of
from pagereeve.receivers.wording import one_liner, plain_text
from tests.findings import said

NOON_US = from_text("2026-11-25T12:00:00Z")
SITE = SiteLayout({"library-1": "library-gw"}, zone="Europe/Berlin")
WHOLE = """\
2 alerts were open before this receiver came
Critical at the worst; the oldest since 2026-11-25 13:00:00 CET.

Open alerts:
  critical: library-1: the meter does not answer while a release needs it, since 2026-11-25 13:00:01 CET
  warning: office-2: more pages counted than released, since 2026-11-25 13:00:00 CET

Why this comes:
  The receiver desk is new in the settings, or is in them again. What is listed here began before, and is still so. \
This is sent once; from now on there is a message for whatever begins, changes or ends.

What to do first:
  Look at them in this order: the worst come first, and of these the oldest.

Everything about it:
  pagereeve alerts

Times are those of Europe/Berlin.
"""


def opened(kind: Kind, printer: str, after_s: int) -> Alert:
    since_us = NOON_US + after_s * SECOND_US
    finding = make(kind, printer, (since_us,), since_us, said("7 counted"), [said("a line")], pages=2)
    return compose(begun(finding, SITE, since_us), "opened", SITE, since_us)[0]


ALERTS = [opened("surplus", "office-2", 0), opened("meter-silent", "library-1", 1)]
DIGEST = digest("desk", ALERTS, "Europe/Berlin", NOON_US + 60 * SECOND_US)


def test_in_plain_text() -> None:
    assert plain_text(DIGEST) == WHOLE
    one = plain_text(digest("desk", ALERTS[:1], "UTC", NOON_US))
    assert one.startswith("1 alert was open before this receiver came\nWarning at the worst; ")
    assert "\n  Look at it.\n" in one


def test_a_mail_belongs_to_no_thread() -> None:
    mail = mail_of(DIGEST, "pagereeve@college.example", ("desk@college.example",))
    assert mail["Subject"] == "Pagereeve: 2 alerts already open"
    assert (mail["References"], mail["In-Reply-To"]) == (None, None)
    assert "office-2: more pages counted than released" in html_of(DIGEST)


def test_a_webhook_has_the_list_for_programs_in_utc() -> None:
    event = event_of(DIGEST, "urn:x")
    assert event["type"] == "pagereeve.alert.digest.v1"
    assert event["data"]["alerts_open"] == 2
    assert event["data"]["alerts"][0] == {
        "alert": ALERTS[1].id,
        "kind": "meter-silent",
        "severity": "critical",
        "subject": "library-1",
        "printer": "library-1",
        "gateway": "library-gw",
        "since": "2026-11-25T12:00:01.000000Z",
        "title": "library-1: the meter does not answer while a release needs it",
    }
    assert event["data"]["alerts"][1]["gateway"] is None
    assert "alerts" not in event_of(replace(DIGEST, step="opened"), "urn:x")["data"]


def test_of_very_many_the_worst_are_named_and_the_others_counted() -> None:
    many = [opened("surplus", f"printer-{nth:04d}-{'x' * 90}", nth) for nth in range(300)] + ALERTS[1:]
    message = digest("desk", many, "UTC", NOON_US)
    assert (len(message.alerts), message.alerts_open) == (LISTED_MAX, 301)
    assert message.alerts[0].kind == "meter-silent"
    text = plain_text(message)
    assert "  and 251 more\n" in text
    assert len(text) < 20_000
    assert len(record_of(message, RecordForm())) <= RECORD_MAX_BYTES
    assert one_liner(message).startswith("301 alerts were open before this receiver came. ")


def test_it_survives_the_outbox() -> None:
    assert notification_of(notification_json(DIGEST)) == DIGEST


def test_an_alertmanager_that_gets_one_all_the_same_keeps_no_alert_of_it() -> None:
    """A name in the settings may come to mean another kind of receiver while a message waits."""
    alert = alert_of(DIGEST, AlertmanagerSettings(name="am", url="http://h"), NOON_US + 3_600 * SECOND_US)
    assert alert["endsAt"] == "2026-11-25T12:01:00.000000Z"
