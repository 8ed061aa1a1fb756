"""Alerts on their limits: one microsecond, one finding or one printer on either side."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pagereeve.domain.alerts.alert import (
    MEMBERS_MAX,
    Alert,
    AlertPolicy,
    SiteLayout,
    begun,
    gathered,
    is_wide,
    joined,
    left,
    share_fate,
)
from pagereeve.domain.alerts.telling import compose, decide, trial
from tests.unit.domain.alerts.test_telling import NOON_US, explained, silent, surplus

POLICY = AlertPolicy()
NOBODY_QUIET = SiteLayout()
GATE = SiteLayout({f"printer-{nth}": "gate-1" for nth in range(20)}, {"gate-1": 20})


def told(*, fresh_us: int | None, told_us: int) -> Alert:
    """An alert with one finding that was told, and a second one that came at ``fresh_us``."""
    alert = joined(begun(surplus(1), NOBODY_QUIET, NOON_US), surplus(2), NOON_US)
    return replace(alert, told=1, told_us=told_us, told_members=frozenset({surplus(1).id}), fresh_us=fresh_us)


def decision(alert: Alert, now_us: int, around: SiteLayout = NOBODY_QUIET) -> str | None:
    return decide(alert, POLICY, around, now_us)[0]


def test_it_is_told_from_the_end_of_its_hold_on() -> None:
    alert = begun(surplus(1), NOBODY_QUIET, NOON_US)
    assert decision(alert, NOON_US + POLICY.hold_us - 1) is None
    assert decision(alert, NOON_US + POLICY.hold_us) == "opened"


def test_it_is_told_again_from_the_end_of_its_pause_on() -> None:
    alert = told(fresh_us=NOON_US, told_us=NOON_US)
    assert decision(alert, NOON_US + POLICY.again_us - 1) is None
    assert decision(alert, NOON_US + POLICY.again_us) == "updated"


def test_what_is_new_holds_before_it_is_told_again() -> None:
    now_us = NOON_US + 2 * POLICY.again_us
    assert decision(told(fresh_us=now_us - POLICY.hold_us + 1, told_us=NOON_US), now_us) is None
    assert decision(told(fresh_us=now_us - POLICY.hold_us, told_us=NOON_US), now_us) == "updated"
    assert decision(told(fresh_us=None, told_us=NOON_US), now_us) is None


def test_it_is_over_from_the_end_of_its_hold_on_and_at_once_by_a_persons_word() -> None:
    alert = replace(begun(silent("lone"), NOBODY_QUIET, NOON_US), told=1, told_members=frozenset({silent("lone").id}))
    passed = left(alert, silent("lone").id, silent("lone", until_us=NOON_US), NOON_US)
    assert decision(passed, NOON_US + POLICY.hold_over_us - 1) is None
    assert decision(passed, NOON_US + POLICY.hold_over_us) == "resolved"
    alert = replace(begun(surplus(1), NOBODY_QUIET, NOON_US), told=1)
    assert decision(left(alert, surplus(1).id, explained(surplus(1)), NOON_US), NOON_US) == "resolved"
    assert decision(replace(left(alert, surplus(1).id, None, NOON_US), told=0), NOON_US) == "forget"


@pytest.mark.parametrize(
    ("findings", "command", "others"),
    [
        (1, f"pagereeve findings show {surplus(0).id}", ""),
        (2, "pagereeve findings --printer lone", " And 1 more of the kind is open."),
        (3, "pagereeve findings --printer lone", " And 2 more of the kind are open."),
    ],
)
def test_one_finding_is_shown_and_several_are_listed(findings: int, command: str, others: str) -> None:
    alert = begun(surplus(0), NOBODY_QUIET, NOON_US)
    for number in range(1, findings):
        alert = joined(alert, surplus(number), NOON_US)
    after, message = compose(alert, "opened", NOBODY_QUIET, NOON_US)
    assert message.command == command
    assert message.what == f"8 counted, 5 expected.{others}"
    assert (after.told, message.nth, message.findings) == (1, 1, findings)


def silent_printers(number: int) -> Alert:
    """The alert of their gateway."""
    return gathered([begun(silent(f"printer-{nth}"), GATE, NOON_US) for nth in range(number)], NOON_US)[0]


def test_ten_printers_are_named_and_an_eleventh_is_more() -> None:
    ten, eleven = (compose(silent_printers(number), "opened", GATE, NOON_US)[1].what for number in (10, 11))
    assert ten == "10 printers: " + ", ".join(f"printer-{nth}" for nth in (0, 1, 2, 3, 4, 5, 6, 7, 8, 9)) + "."
    assert eleven.startswith("11 printers: printer-0, printer-1, printer-10, ")
    assert eleven.endswith("printer-8, ....")


@pytest.mark.parametrize(
    ("failing", "behind", "wide"),
    [(1, 1, False), (2, 2, True), (1, 2, False), (2, 3, False), (3, 3, True), (2, 20, False), (3, 20, True)],
)
def test_a_gateway_is_what_people_look_at_from_three_printers_or_all_of_two(
    failing: int, behind: int, wide: bool
) -> None:
    around = replace(GATE, behind={"gate-1": behind})
    assert is_wide(silent_printers(failing), around) is wide
    assert not is_wide(replace(silent_printers(failing), printer="lone"), around)
    assert not is_wide(replace(silent_printers(failing), gateway=""), around)


def test_printers_of_one_gateway_and_kind_share_their_fate_and_no_others() -> None:
    silents = [begun(silent(f"printer-{nth}"), GATE, NOON_US) for nth in range(3)]
    wrong = begun(replace(silent("printer-4"), kind="wrong-responder"), GATE, NOON_US)
    apart = [
        wrong,
        begun(silent("lone"), GATE, NOON_US),
        begun(surplus(1, "printer-5"), GATE, NOON_US),
        replace(begun(silent("printer-6"), GATE, NOON_US), quiet=True),
        left(begun(silent("printer-7"), GATE, NOON_US), silent("printer-7").id, None, NOON_US),
    ]
    assert share_fate(silents[2], [*apart, *silents], GATE) == silents
    assert share_fate(silents[1], [*apart, *silents[:2]], GATE) == []
    assert [share_fate(one, [*apart, *silents], GATE) for one in apart[:3]] == [[], [], []]


def test_what_a_gateway_tells_is_over_for_its_printers() -> None:
    first = replace(begun(silent("printer-0"), GATE, NOON_US), told=1, told_members=frozenset({silent("printer-0").id}))
    whole, parts = gathered([first, begun(silent("printer-1"), GATE, NOON_US + 1)], NOON_US + 2)
    assert (whole.subject, whole.printer, whole.printers) == ("gateway gate-1", "", ("printer-0", "printer-1"))
    assert (whole.told, whole.told_members, whole.seen_us) == (0, frozenset(), NOON_US)
    assert [decision(one, NOON_US + 2) for one in parts] == ["resolved", "forget"]
    _, message = compose(parts[0], "resolved", GATE, NOON_US + 2)
    assert message.what == "It is told in the alert of gateway gate-1 now, as others behind it fail too."
    assert message.title == "printer-0: the meter does not answer while a release needs it"


def test_of_a_gateway_of_unknown_size_three_printers_are_enough() -> None:
    around = replace(GATE, behind={})
    assert [is_wide(silent_printers(failing), around) for failing in (2, 3)] == [False, True]


def test_an_alert_keeps_so_many_findings_and_knows_of_more() -> None:
    alert = begun(surplus(0), NOBODY_QUIET, NOON_US)
    for number in range(1, MEMBERS_MAX):
        alert = joined(alert, surplus(number), NOON_US)
    assert (len(alert.members), alert.more) == (MEMBERS_MAX, False)
    assert not joined(alert, surplus(0), NOON_US).more
    full = joined(alert, surplus(MEMBERS_MAX), NOON_US)
    assert (len(full.members), full.more) == (MEMBERS_MAX, True)
    assert (MEMBERS_MAX, POLICY.hold_us, POLICY.hold_over_us, POLICY.again_us) == (
        500,
        120_000_000,
        600_000_000,
        86_400_000_000,
    )


def test_a_quiet_time_that_is_over_lets_the_hold_begin_anew_for_what_was_never_told() -> None:
    alert = replace(begun(surplus(1), NOBODY_QUIET, NOON_US), quiet=True)
    later_us = NOON_US + POLICY.again_us
    step, heard = decide(alert, POLICY, NOBODY_QUIET, later_us)
    assert (step, heard.quiet, heard.seen_us, heard.fresh_us) == (None, False, later_us, later_us)
    step, heard = decide(replace(alert, told=1, fresh_us=None), POLICY, NOBODY_QUIET, later_us)
    assert (step, heard.quiet, heard.seen_us, heard.fresh_us) == (None, False, NOON_US, None)


def test_the_worst_of_its_findings_is_its_severity_and_their_pages_its_pages() -> None:
    alert = joined(begun(surplus(1), NOBODY_QUIET, NOON_US), surplus(2), NOON_US)
    assert (alert.severity, alert.pages) == ("warning", 6)
    mild = replace(surplus(3), severity="info", pages=None)
    assert (joined(alert, mild, NOON_US).severity, joined(alert, mild, NOON_US).pages) == ("warning", 6)
    worse = joined(alert, replace(surplus(4), severity="critical"), NOON_US)
    assert (worse.severity, worse.pages) == ("critical", 9)
    assert begun(silent("lone"), NOBODY_QUIET, NOON_US).pages is None


def test_a_trial_is_a_step_of_no_alert_and_names_its_receiver() -> None:
    one = trial("desk", NOON_US)
    assert (one.nth, one.step, one.severity, one.findings, one.pages) == (1, "trial", "info", 0, None)
    assert (one.is_trial, one.is_over) == (True, False)
    assert one.since_us == one.at_us == NOON_US
    assert one.alert != trial("desk", NOON_US + 1).alert
    assert "receiver desk" in one.what
