"""When people are told, and of what: hold times, one alert for many (prometheus/alertmanager#204), and the promises of
the outbox that need no store.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import pytest

from pagereeve.domain.alerts.advice import ADVICE
from pagereeve.domain.alerts.alert import Alert, AlertPolicy, SiteLayout, begun, joined, left, place_of
from pagereeve.domain.alerts.codec import alert_json, alert_of, notification_json, notification_of
from pagereeve.domain.alerts.message import Notification
from pagereeve.domain.alerts.telling import compose, decide
from pagereeve.domain.facts.facts import Decided, Origin, ReleaseStarted
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.findings.finding import SEVERITY, Kind, make
from pagereeve.domain.ledger import Finding, ReleaseKey
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.instants import SECOND_US
from tests.findings import said

MINUTE_US = 60 * SECOND_US
HOUR_US = 60 * MINUTE_US
NOON_US = 1_767_268_800 * SECOND_US
POLICY = AlertPolicy()
KEY = ReleaseKey("/server", "r-1")
ORIGIN = Origin("/server", "e-1", NOON_US, NOON_US)
JOB = shown.job(ReleaseStarted("lone", ORIGIN, "r-1", "j-1", "anise"))
FLEET = {f"printer-{nth}": "gate-1" for nth in range(20)}


@dataclass
class Place:
    """One kind of finding at one place, told minute by minute."""

    quiet: set[str] = field(default_factory=set)
    alert: Alert | None = None
    messages: list[Notification] = field(default_factory=list)
    now_us: int = NOON_US

    def __post_init__(self) -> None:
        self.around = SiteLayout(
            {**FLEET, "lone": ""}, {"gate-1": 20}, lambda printer, _gateway, _at_us: printer in self.quiet
        )

    def accept(self, finding: Finding) -> None:
        if finding.state == "open":
            known = self.alert
            self.alert = (
                begun(finding, self.around, self.now_us) if known is None else joined(known, finding, self.now_us)
            )
        elif self.alert is not None:
            self.alert = left(self.alert, finding.id, finding, self.now_us)

    def gone(self, finding: Finding) -> None:
        assert self.alert is not None
        self.alert = left(self.alert, finding.id, None, self.now_us)

    def passes(self, minutes: int) -> list[str]:
        before = len(self.messages)
        for _ in range(minutes):
            self.now_us += MINUTE_US
            self._look()
        return [one.step for one in self.messages[before:]]

    def _look(self) -> None:
        if self.alert is None:
            return
        decision, self.alert = decide(self.alert, POLICY, self.around, self.now_us)
        if decision is not None and decision != "forget":
            self.alert, message = compose(self.alert, decision, self.around, self.now_us)
            self.messages.append(message)
        if decision == "forget" or self.alert.ended_us is not None:
            self.alert = None


def silent(printer: str, number: int = 0, until_us: int | None = None) -> Finding:
    text = "reads fail (timeout), while 1 release needed a reading"
    return make("meter-silent", printer, (number,), NOON_US + number, said(text), [said("timeout from noon")], until_us)


def surplus(number: int, printer: str = "lone") -> Finding:
    evidence = [said(f"total 100 at noon, {number}"), shown.release(KEY), JOB, shown.reason("a"), shown.reason("b")]
    return make("surplus", printer, (number,), NOON_US + number, said("8 counted, 5 expected"), evidence, pages=3)


def explained(finding: Finding) -> Finding:
    return replace(finding, state="explained", reason="test-page", until_us=NOON_US + HOUR_US)


def test_a_difference_is_told_once_after_its_hold_and_again_when_a_person_explained_it() -> None:
    place = Place()
    place.accept(surplus(1))
    assert place.passes(1) == []
    assert place.passes(1) == ["opened"]
    assert place.passes(3 * 24 * 60) == []
    place.accept(explained(surplus(1)))
    assert place.passes(1) == ["resolved"]
    assert "Explained: test-page" in place.messages[-1].what
    assert [one.id for one in place.messages] == [f"{place.messages[0].alert}.1", f"{place.messages[0].alert}.2"]


def test_a_difference_that_a_late_notice_explains_within_the_hold_is_never_told() -> None:
    place = Place()
    place.accept(surplus(1))
    place.passes(1)
    place.gone(surplus(1))
    assert place.passes(60) == []
    assert place.alert is None


def test_a_told_difference_that_a_late_notice_explains_is_over() -> None:
    place = Place()
    place.accept(surplus(1))
    place.passes(5)
    place.gone(surplus(1))
    assert place.passes(20) == ["resolved"]
    assert "Later events explain it" in place.messages[-1].what


def test_more_differences_of_one_kind_at_one_printer_are_one_alert_told_again_once_a_day() -> None:
    place = Place()
    for number in range(50):
        place.accept(surplus(number))
        place.passes(6)
    assert [one.step for one in place.messages] == ["opened"]
    assert place.passes(24 * 60) == ["updated"]
    last = place.messages[-1]
    assert (last.findings, last.pages) == (50, 150)
    assert last.command == "pagereeve findings --printer lone"
    for number in range(50):
        place.accept(explained(surplus(number)))
    assert place.passes(1) == ["resolved"]


def test_a_printer_that_answers_half_the_time_for_an_hour_is_one_alert() -> None:
    """prometheus/alertmanager#204, #1063, #3048: hold times against flapping."""
    place = Place()
    for number in range(12):
        place.accept(silent("lone", number))
        place.passes(3)
        place.accept(silent("lone", number, until_us=place.now_us))
        place.passes(2)
    assert [one.step for one in place.messages] == ["opened"]
    assert place.passes(10) == ["resolved"]


def test_a_printer_that_is_silent_for_a_minute_now_and_then_is_no_alert() -> None:
    place = Place()
    for number in range(12):
        place.accept(silent("lone", number))
        place.passes(1)
        place.accept(silent("lone", number, until_us=place.now_us))
        place.passes(4)
    assert place.messages == []


def test_maintenance_puts_an_alert_off_and_does_not_lose_it() -> None:
    place = Place(quiet={"lone"})
    place.accept(silent("lone"))
    assert place.passes(120) == []
    place.quiet.clear()
    assert place.passes(2) == []
    assert place.passes(1) == ["opened"]


def test_what_came_and_went_during_maintenance_is_never_told() -> None:
    place = Place(quiet={"lone"})
    place.accept(silent("lone"))
    place.passes(60)
    place.accept(silent("lone", until_us=place.now_us))
    place.quiet.clear()
    assert place.passes(60) == []


def test_what_is_over_during_maintenance_is_told_all_the_same() -> None:
    place = Place()
    place.accept(silent("lone"))
    place.passes(5)
    place.quiet.add("lone")
    place.accept(silent("lone", until_us=place.now_us))
    assert place.passes(12) == ["resolved"]


def test_a_message_says_what_it_costs_three_lines_of_evidence_what_to_do_and_what_shows_all() -> None:
    place = Place()
    place.accept(surplus(1))
    place.passes(2)
    (message,) = place.messages
    assert message.title == "lone: more pages counted than released"
    assert message.what == "8 counted, 5 expected."
    assert message.evidence == ("total 100 at noon, 1", "release r-1 of /server", "reason: a")
    assert message.cost
    assert message.first
    assert message.command == f"pagereeve findings show {surplus(1).id}"


def test_no_message_names_a_person() -> None:
    said_of_it = Decided("", ORIGIN, "f-1", "close", "warden", "other", "borrowed")
    evidence = [JOB, shown.owners("anise", "birch"), shown.decided(said_of_it), shown.presented(NOON_US, "gate-1")]
    finding = make("badge-owner-differs", "", (1,), NOON_US, shown.other_owner(), evidence)
    finding = replace(finding, place="printer lone")
    place = Place()
    place.accept(finding)
    place.passes(2)
    text = repr(place.messages)
    assert place.messages[0].evidence == ("presented at gateway gate-1: 2026-01-01 12:00:00 UTC",)
    assert not any(name in text for name in ("anise", "birch", "warden", "borrowed"))
    assert place.alert is not None
    assert "anise" not in repr(alert_json(place.alert))


def test_a_source_may_be_named_as_it_likes() -> None:
    """What may be told is marked where it is made: no word in it decides."""
    key = ReleaseKey("urn:owner:decided by", "'s, the job")
    place = Place()
    place.accept(make("surplus", "lone", (1,), NOON_US, said("8 counted, 5 expected"), [shown.release(key)]))
    place.passes(2)
    assert place.messages[0].evidence == ("release 's, the job of urn:owner:decided by",)


def test_a_finding_of_the_house_lies_at_its_place() -> None:
    finding = replace(make("reader-noisy", "", (1,), NOON_US, said("19 of 20"), []), place="gate-1, reader desk")
    assert place_of(finding, SiteLayout()) == ("gate-1, reader desk", "", "")


def test_a_fleet_on_an_assumed_unit_is_one_alert() -> None:
    place = Place()
    assumed = [
        make("unit-assumed", name, (1,), NOON_US, shown.unit_assumed("total", "", "1.3.6.1.4.1.99999.1"), [])
        for name in FLEET
    ]
    assert {place_of(one, place.around) for one in assumed} == {("printers on an assumed unit", "", "")}
    for one in assumed:
        place.accept(one)
    assert place.passes(60) == ["opened"]
    (message,) = place.messages
    assert (message.severity, message.findings) == ("info", 20)
    assert message.what.startswith("20 printers: printer-0, ")
    for one in assumed:
        place.accept(replace(one, state="closed", until_us=NOON_US))
    assert place.passes(60) == ["resolved"]


@pytest.mark.parametrize("kind", list(SEVERITY))
def test_every_kind_has_advice_in_few_words(kind: Kind) -> None:
    advice = ADVICE[kind]
    assert advice.headline[0].islower()
    assert len(advice.headline) <= 70
    assert advice.cost.endswith(".")
    assert advice.first.endswith(".")


def test_alerts_and_messages_come_back_as_they_were() -> None:
    place = Place()
    for number in range(3):
        place.accept(surplus(number))
    place.passes(2)
    assert place.alert is not None
    assert alert_of(alert_json(place.alert)) == place.alert
    (message,) = place.messages
    assert notification_of(notification_json(message)) == message


def test_what_another_version_wrote_of_an_alert_is_refused_by_name() -> None:
    place = Place()
    place.accept(surplus(1))
    assert place.alert is not None
    with pytest.raises(BadFact, match=r"alert: has unknown members: mood"):
        alert_of({**alert_json(place.alert), "mood": "odd"})
