"""Every finding that the projection makes, its evidence, and what people decide about it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pagereeve.domain.facts.facts import Decided, Origin
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.findings.finding import EVIDENCE_MAX, make, reopening_problem
from pagereeve.domain.findings.wording import SILENCES
from pagereeve.domain.ledger import Verdict
from pagereeve.domain.values.instants import SECOND_US
from tests.findings import lines_of, said, text_of
from tests.histories import PRINTER
from tests.unit.domain.story import POLICY, Story, accounts, at_us, charge, finding, kinds, printed


def test_a_quiet_day_has_no_findings() -> None:
    story = Story()
    for nth in range(4):
        printed(story, 100 * nth, 100 + 3 * nth, 103 + 3 * nth, pages=3)
    assert kinds(story.ledger()) == []


def test_a_repeated_notice_is_told_and_claims_nothing_anew() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, "r", pages=4, event="e1")
    story.ended(3, "r")
    story.rest(6, 30, 104)
    story.release(60, "r", pages=4, event="e2")
    story.rest(66, 130, 104)
    ledger = story.ledger()
    assert kinds(ledger) == ["repeated-release"]
    assert sum(one.charged + one.unproven for one in ledger.charges) == 4


def test_a_repeated_notice_without_a_meter_claims_nothing() -> None:
    story = Story(replace(POLICY, longest_us=60 * SECOND_US))
    story.release(0, "r", pages=4, event="e1")
    story.release(10, "r", pages=4, event="e2")
    story.failed(100, tries=3)
    assert [one.unproven for one in story.ledger().charges] == [4, 0]


def test_a_conflicting_duplicate_is_told_with_the_digest_of_what_was_set_aside() -> None:
    story = Story()
    printed(story, 0, 100, 104, pages=4)
    story.conflict(20, "r1-start")
    told = finding(story.ledger(), "conflicting-duplicate")
    assert "r1-start" in text_of(told)
    assert any("0" * 64 in line for line in lines_of(told))


def test_releases_of_a_printer_that_nobody_registered_are_one_finding() -> None:
    story = Story(policy=None)
    story.release(0, "a")
    story.release(10, "b")
    ledger = story.ledger()
    told = finding(ledger, "unknown-printer")
    assert told.since_us == at_us(0)
    assert len(lines_of(told)) == 2
    # None will ever be read: they wait for nothing.
    assert {(one.verdict, one.unproven, one.reasons[-1]) for one in ledger.charges} == {
        (Verdict.UNPROVEN, 1, "unknown-printer")
    }


@pytest.mark.parametrize(
    ("reason", "kind"),
    [
        ("timeout", "meter-silent"),
        ("refused", "meter-silent"),
        ("unreachable", "meter-silent"),
        ("malformed", "meter-silent"),
        ("name-not-found", "meter-silent"),
        ("wrong-responder", "wrong-responder"),
        ("wrong-device", "wrong-responder"),
        ("unit-not-usable", "unit-not-usable"),
        ("no-meter", "unit-not-usable"),
    ],
)
def test_silence_has_kinds_and_ends_with_the_next_good_reading(reason: str, kind: str) -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=4)
    story.ended(3)
    story.failed(1, reason, tries=3)
    during = finding(story.ledger(), kind)
    assert (during.state, during.until_us) == ("open", None)
    story.rest(20, 40, 104)
    after = finding(story.ledger(), kind)
    assert (after.state, after.until_us, after.id) == ("closed", at_us(20.1), during.id)
    assert SILENCES[reason] in text_of(after)


def test_while_the_gateway_is_down_the_printer_behind_it_is_no_finding_of_its_own() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=4)
    story.ended(3)
    # What failed before it was a fact that the gateway is down belongs to it as well.
    story.failed(1, tries=2)
    story.failed(10, tries=3, gateway="down")
    assert "meter-silent" not in kinds(story.ledger())
    # The gateway is back, and the printer is not: that is the printer's, from then on.
    story.failed(30, gateway="answers")
    assert "meter-silent" not in kinds(story.ledger())
    story.failed(33, gateway="answers")
    told = finding(story.ledger(), "meter-silent")
    assert (told.since_us, told.state) == (at_us(30), "open")
    assert text_of(told).endswith("; the gateway answers")
    story.rest(50, 70, 104)
    after = finding(story.ledger(), "meter-silent")
    assert (after.id, after.state) == (told.id, "closed")
    assert text_of(after).startswith("2 reads failed")


def test_a_printer_that_is_off_while_its_gateway_answers_says_so() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=4)
    story.failed(1, tries=3, gateway="answers")
    told = finding(story.ledger(), "meter-silent")
    assert "the gateway answers" in text_of(told)
    assert any("while its gateway answers" in line for line in lines_of(told))


def test_a_sleeper_that_nobody_needs_is_no_finding() -> None:
    """home-assistant/core#128067: answers in 1 of 3 polls for an hour, no release."""
    story = Story()
    for nth in range(20):
        story.reading(180 * nth, 100)
        story.failed(180 * nth + 60, tries=2)
    assert kinds(story.ledger()) == []


def test_a_wrong_responder_is_told_though_nobody_waits() -> None:
    story = Story()
    story.reading(0, 100)
    story.failed(60, "wrong-responder", tries=2, responder="192.0.2.9")
    told = finding(story.ledger(), "wrong-responder")
    assert any("192.0.2.9" in line for line in lines_of(told))


def test_one_lost_datagram_is_no_silence() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=4)
    story.ended(3)
    story.failed(4)
    story.rest(8, 30, 104)
    assert kinds(story.ledger()) == []


@pytest.mark.parametrize(("badge_s", "told"), [(-20, []), (0.5, []), (-61, ["release-without-badge"])])
def test_a_release_without_a_badge_before_it(badge_s: float, told: list[str]) -> None:
    story = Story(replace(POLICY, badge_within_us=60 * SECOND_US))
    story.badge(badge_s)
    printed(story, 0, 100, 104, pages=4)
    assert kinds(story.ledger()) == told


def test_where_the_policy_asks_for_no_badge_none_is_missed() -> None:
    story = Story()
    printed(story, 0, 100, 104, pages=4)
    assert kinds(story.ledger()) == []


def test_a_restart_inside_a_bracket_is_told_and_breaks_nothing() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=4)
    story.restart(2)
    story.reading(30, 102, state="warmup")
    story.ended(31)
    story.rest(40, 60, 104)
    ledger = story.ledger()
    assert charge(ledger, "r1").verdict is Verdict.AGREES
    assert "restarted inside a bracket" in text_of(finding(ledger, "printer-restarted"))


@pytest.mark.parametrize("sign", ["warmup", "silence", "power-on", ""])
def test_a_printer_restarted_where_more_than_its_agents_clock_says_so(sign: str) -> None:
    """RFC 3805 section 6, prtMarkerPowerOnCount; an agent alone may begin anew as well."""
    story = Story()
    story.rest(-20, -1, 100, power_on=50 if sign == "power-on" else None)
    story.release(0, pages=4)
    story.restart(2)
    if sign == "silence":
        story.failed(5)
    story.reading(30, 102, state="warmup" if sign == "warmup" else "printing", power_on=2 if sign else None)
    story.ended(31)
    story.rest(40, 60, 104, power_on=4 if sign else None)
    ledger = story.ledger()
    assert charge(ledger, "r1").verdict is Verdict.AGREES
    assert kinds(ledger) == (["printer-restarted"] if sign else [])


def test_a_restart_outside_every_bracket_is_nobodys_business() -> None:
    story = Story()
    printed(story, 0, 100, 104, pages=4)
    story.restart(600)
    story.reading(700, 104)
    assert kinds(story.ledger()) == []


def test_a_jump_is_told_and_books_nothing() -> None:
    story = Story()
    story.rest(0, 30, 100)
    story.rest(35, 60, 90_000)
    ledger = story.ledger()
    assert kinds(ledger) == ["meter-jumped"]
    assert accounts(ledger) == {}


def test_a_replacement_that_somebody_noted_is_explained() -> None:
    story = Story()
    story.rest(0, 30, 100)
    story.noted(40, "meter-replaced", "order 4711, invented")
    story.serial = "K2"
    story.rest(60, 90, 5)
    told = finding(story.ledger(), "meter-replaced")
    assert told.state == "explained"
    assert "order 4711" in lines_of(told)[-1]


def test_a_note_long_before_explains_no_replacement() -> None:
    story = Story()
    story.rest(0, 30, 100)
    story.noted(-4000, "meter-replaced")
    story.serial = "K2"
    story.rest(60, 90, 5)
    assert finding(story.ledger(), "meter-replaced").state == "open"


@pytest.mark.parametrize(("action", "state"), [("explain", "explained"), ("close", "closed")])
def test_a_decision_changes_the_findings_state_and_is_part_of_its_evidence(action: str, state: str) -> None:
    story = Story()
    printed(story, 0, 100, 106, pages=4)
    before = finding(story.ledger(), "surplus")
    assert before.state == "open"
    story.decided(500, before.id, action, "a jam, two sheets twice")  # type: ignore[arg-type]
    after = finding(story.ledger(), "surplus")
    assert (after.id, after.state, after.until_us) == (before.id, state, at_us(500))
    assert "an auditor" in lines_of(after)[-1]
    assert "a jam, two sheets twice" in lines_of(after)[-1]


def test_the_last_decision_about_a_finding_counts() -> None:
    story = Story()
    printed(story, 0, 100, 106, pages=4)
    told = finding(story.ledger(), "surplus").id
    story.decided(600, told, "close")
    story.decided(500, told, "explain")
    assert finding(story.ledger(), "surplus").state == "closed"


def test_what_was_said_is_taken_back_and_said_again() -> None:
    story = Story()
    printed(story, 0, 100, 106, pages=4)
    before = finding(story.ledger(), "surplus")
    assert reopening_problem(before).startswith("takes nothing back")
    story.decided(500, before.id, "explain")
    assert reopening_problem(finding(story.ledger(), "surplus")) == ""
    story.decided(600, before.id, "reopen")
    after = finding(story.ledger(), "surplus")
    assert (after.state, after.until_us, after.reason) == (before.state, before.until_us, before.reason)
    assert len(after.evidence) == len(before.evidence) + 2
    assert reopening_problem(after).startswith("takes nothing back")
    story.decided(700, before.id, "close")
    assert finding(story.ledger(), "surplus").state == "closed"


def test_stray_pages_are_no_maintenance_any_more_once_it_was_taken_back() -> None:
    rules = Rules()
    said = Decided(PRINTER, Origin("urn:d", "d-1", 5, 5), "f-1", "explain", "warden", "maintenance")
    rules.add(said)
    assert rules.reason_for("f-1") == "maintenance"
    rules.add(replace(said, origin=Origin("urn:d", "d-2", 6, 6), action="reopen", reason=""))
    assert rules.reason_for("f-1") == ""


def test_a_decision_about_another_finding_changes_nothing() -> None:
    story = Story()
    printed(story, 0, 100, 106, pages=4)
    story.decided(500, "f-000000000000", "close")
    assert finding(story.ledger(), "surplus").state == "open"


def test_a_findings_identity_hangs_on_its_facts_and_not_on_its_text() -> None:
    one = make("surplus", "p", ("total", "s", "r"), 1, said("text"), [said("a")])
    same = make("surplus", "p", ("total", "s", "r"), 2, said("other words"), [said("b")])
    assert one.id == same.id
    others = [
        make("shortfall", "p", ("total", "s", "r"), 1, said("text"), []),
        make("surplus", "q", ("total", "s", "r"), 1, said("text"), []),
        make("surplus", "p", ("total", "s", "r2"), 1, said("text"), []),
    ]
    assert len({one.id, *(other.id for other in others)}) == 4


def test_evidence_is_bounded() -> None:
    told = make("unknown-printer", "p", (), 1, said("text"), [said(f"line {nth}") for nth in range(EVIDENCE_MAX + 7)])
    assert len(lines_of(told)) == EVIDENCE_MAX + 1
    assert lines_of(told)[-1] == "... and 7 more"
