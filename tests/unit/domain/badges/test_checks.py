"""Badges, readers and feeds of the whole site: public fault reports, and the findings."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import pytest

from pagereeve.domain.badges.projector import COPY_SOURCE, SITE, BadgeProjector, badge_findings, checked_event
from pagereeve.domain.badges.swipes import swipes_of
from pagereeve.domain.facts.facts import (
    BadgeOutcome,
    BadgePolicySet,
    BadgePresented,
    BadgeUnreadable,
    Bound,
    ClockChange,
    ClockChanged,
    Decided,
    Fact,
    GatewayChecked,
    GatewayState,
    Origin,
    ReceiverChange,
    ReceiverChanged,
    Registered,
    ReleaseStarted,
    SiteChecked,
    SiteStanding,
)
from pagereeve.domain.facts.policy import BadgePolicy
from pagereeve.domain.facts.site_in_force import SiteRules
from pagereeve.domain.ledger import Finding, RowSegment
from pagereeve.domain.values.instants import SECOND_US
from tests.findings import lines_of, text_of
from tests.unit.domain.story import at_us

ANISE, BIRCH, NOBODY = "b-anise", "b-birch", "b-nobody"


@dataclass
class Hall:
    """An invented badge checks: anise's and birch's badges are known, printers stand behind gateways east and west."""

    policy: BadgePolicy = field(default_factory=BadgePolicy)
    directory: bool = True
    facts: list[Fact] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.facts.append(BadgePolicySet(at_us(-9_000), self.policy))
        self.facts += [Registered(at_us(-9_000), f"printer-{name}", name) for name in ("east", "west")]
        if self.directory:
            self.facts += [Bound(0, f"b-{who}", who, at_us(-9_000)) for who in ("anise", "birch")]

    def origin(self, second: float) -> Origin:
        return Origin("urn:invented", f"e{len(self.facts)}", at_us(second), at_us(second))

    def badge(
        self,
        second: float,
        badge: str = ANISE,
        gateway: str = "east",
        *,
        reader: str = "",
        outcome: BadgeOutcome | Literal[""] = "",
        resembles: str = "",
    ) -> None:
        self.facts.append(BadgePresented("", self.origin(second), badge, gateway, reader, outcome, resembles))

    def bad_frame(self, second: float, gateway: str = "east", reader: str = "", reason: str = "parity") -> None:
        self.facts.append(BadgeUnreadable(self.origin(second), gateway, reason, reader))

    def release(self, second: float, badge: str = "", owner: str = "anise", printer: str = "printer-east") -> None:
        name = f"r{len(self.facts)}"
        self.facts.append(ReleaseStarted(printer, self.origin(second), name, f"job-{name}", owner, badge=badge))

    def clock(self, second: float, change: ClockChange, ahead_s: int, daemon: str = "") -> None:
        origin, ahead_us = self.origin(second), ahead_s * SECOND_US
        changed = ClockChanged(origin, "b007", change, 7, origin.at_us, origin.at_us + ahead_us, daemon=daemon)
        self.facts.append(changed)

    def receiver(self, second: float, name: str, change: ReceiverChange) -> None:
        self.facts.append(ReceiverChanged(self.origin(second), name, change, "4355a46b"))

    def site(self, second: float, name: str, state: SiteStanding) -> None:
        self.facts.append(SiteChecked(self.origin(second), name, state, at_us(1), 12))

    def gateway(self, second: float, name: str, state: GatewayState) -> None:
        why = "no connection within 2 s" if state == "down" else ""
        self.facts.append(GatewayChecked(self.origin(second), name, state, "tcp 192.0.2.1:22", why))

    def findings(self) -> list[Finding]:
        """However they are come by: in one piece, in any order, fact by fact with resume points in between."""
        events = [event for fact in self.facts if (event := checked_event(fact)) is not None]
        rules = SiteRules.of(self.facts)
        whole = _sorted(badge_findings(rules, events))
        assert _sorted(badge_findings(rules, [*reversed(events), *events])) == whole
        for hold_back_us in (0, 5 * SECOND_US):
            projector = BadgeProjector(rules, hold_back_us=hold_back_us, seal_every=3)
            segments: dict[int, RowSegment] = {}
            for event in sorted(events, key=lambda one: one.origin.at_us):
                if projector.is_late(event):
                    # Equal instants: the resume point lies at them already, and a badge watcher begins again from an
                    # earlier
                    # one.
                    break
                projector.add(event)
                update = projector.advance()
                if update is not None:
                    segments = {key: one for key, one in segments.items() if key < update.from_anchor_us}
                    segments |= {one.anchor_us: one for one in update.segments}
            else:
                assert _sorted([finding for segment in segments.values() for finding in segment.findings]) == whole
        return whole

    def kinds(self) -> list[str]:
        return [one.kind for one in self.findings()]


def _sorted(findings: list[Finding]) -> list[Finding]:
    return sorted(findings, key=lambda one: (one.since_us, one.kind, one.id))


def test_an_ordinary_hour_is_quiet() -> None:
    hall = Hall()
    for nth in range(20):
        hall.badge(60 * nth, ANISE if nth % 2 else BIRCH)
        hall.release(60 * nth + 1, ANISE if nth % 2 else BIRCH, "anise" if nth % 2 else "birch")
    assert hall.kinds() == []


def test_a_card_that_lies_on_the_reader_is_one_swipe() -> None:
    """EVerest/EVerest#2497, pokusew/nfc-pcsc#34: 0, 0.2, 1.9, 2.1, 3.9 s is one swipe, 6.5 s another."""
    hall = Hall(BadgePolicy(nearby_us=SECOND_US))
    for second in (0, 0.2, 1.9, 2.1, 3.9, 6.5):
        hall.badge(second, NOBODY)
    told = hall.findings()
    assert [one.since_us for one in told] == [at_us(0), at_us(6.5)]


def test_swipes_keep_a_count_of_their_repeats() -> None:
    """The same: 1 swipe with 4 repeats, and a new one at 6.5 s; the order of arrival makes no difference."""
    hall = Hall()
    for second in (0, 0.2, 1.9, 2.1, 3.9, 6.5):
        hall.badge(second)
    badges = [fact for fact in hall.facts if isinstance(fact, BadgePresented)]
    for order in (badges, badges[::-1]):
        told = swipes_of(order, 2 * SECOND_US)
        assert [(one.first.origin.at_us, one.last_us, one.repeats) for one in told] == [
            (at_us(0), at_us(3.9), 4),
            (at_us(6.5), at_us(6.5), 0),
        ]


def test_another_answer_is_another_swipe() -> None:
    """Donkie/Spoolman#1115: unknown at 0 s, enrolled, granted at 1 s: both are kept."""
    hall = Hall(BadgePolicy(silent_after=2, silent_us=0), directory=False)
    hall.release(-5)
    hall.badge(0, outcome="unknown")
    hall.badge(1, outcome="accepted")
    hall.badge(1.5, outcome="accepted")
    assert hall.kinds() == ["unknown-badge"]
    hall.badge(9, outcome="accepted")
    assert hall.kinds() == ["unknown-badge", "feed-silent"]


def test_an_unknown_badge_that_is_tried_again_is_told_once() -> None:
    hall = Hall()
    for second in (0, 20, 300, 800):
        hall.badge(second, NOBODY)
    (told,) = hall.findings()
    assert (told.kind, told.place, told.printer) == ("unknown-badge", "the reader at gateway east", SITE)
    hall.badge(2_000, NOBODY)
    hall.badge(2_001, NOBODY, "west", reader="desk")
    assert [one.place for one in hall.findings() if one.kind == "unknown-badge"] == [
        "the reader at gateway east",
        "the reader at gateway east",
        "reader desk at gateway west",
    ]


def test_without_a_directory_only_the_release_server_knows_badges() -> None:
    hall = Hall(directory=False)
    hall.badge(0, NOBODY)
    assert hall.kinds() == []
    hall.badge(60, NOBODY, outcome="unknown")
    assert hall.kinds() == ["unknown-badge"]


def test_no_finding_holds_what_stands_for_a_badge() -> None:
    hall = Hall(BadgePolicy(changed_badges=2))
    hall.badge(0, NOBODY)
    hall.badge(1, NOBODY, "west")
    hall.release(2, ANISE, "birch")
    hall.badge(3, "b-x", resembles="byte-reversed")
    hall.badge(9, "b-y", resembles="byte-reversed")
    told = hall.findings()
    assert {one.kind for one in told} == {
        "unknown-badge",
        "badge-in-two-places",
        "badge-owner-differs",
        "reader-form-changed",
    }
    assert not any("b-" in text for one in told for text in (text_of(one), *lines_of(one), one.place))


def test_a_reader_of_which_every_frame_is_bad_is_one_finding() -> None:
    """esphome/issues#4220, ssieb/esphome_components#50: 20 good swipes, then 20 parity errors: one alert."""
    hall = Hall()
    for nth in range(20):
        hall.badge(10 * nth, ANISE if nth % 2 else BIRCH)
        hall.release(10 * nth + 1)
    for nth in range(20):
        hall.bad_frame(300 + 10 * nth)
    (told,) = hall.findings()
    assert (told.kind, told.state, told.severity) == ("reader-noisy", "open", "critical")
    assert told.since_us == at_us(300 + 180)
    assert "parity" in text_of(told)
    for nth in range(10):
        hall.badge(600 + 20 * nth, ANISE if nth % 2 else BIRCH)
        hall.release(601 + 20 * nth)
    (told,) = hall.findings()
    assert (told.state, told.until_us) == ("closed", at_us(780))


def test_a_bad_swipe_now_and_then_is_a_hand() -> None:
    hall = Hall()
    for nth in range(60):
        if nth % 2:
            hall.badge(60 * nth)
            hall.release(60 * nth + 1)
        else:
            hall.bad_frame(60 * nth)
    assert hall.kinds() == []


def test_readers_of_one_gateway_are_told_apart() -> None:
    hall = Hall()
    for nth in range(20):
        hall.bad_frame(10 * nth, reader="left")
        hall.badge(10 * nth + 3, ANISE, reader="right")
        hall.release(10 * nth + 4)
    assert [one.place for one in hall.findings()] == ["reader left at gateway east"]


def test_a_change_of_number_style_is_about_the_reader_and_maps_nothing() -> None:
    """esprfid/esp-rfid#610: 30 of 30 swipes unknown, all known when reversed."""
    hall = Hall()
    for nth in range(30):
        hall.badge(30 * nth, f"b-turned-{nth}", resembles="byte-reversed")
    (told,) = hall.findings()
    assert (told.kind, told.since_us, told.state) == ("reader-form-changed", at_us(0), "open")
    assert "3 badges in a row" in text_of(told)
    assert "byte-reversed" not in text_of(told)
    assert lines_of(told) == ["known only if written byte-reversed"]
    hall.badge(1_000, ANISE)
    (told,) = hall.findings()
    assert (told.state, told.until_us) == ("closed", at_us(1_000))


def test_one_badge_at_two_gateways_at_once() -> None:
    hall = Hall()
    hall.badge(0, ANISE, "east")
    hall.badge(9, ANISE, "west")
    hall.badge(100, ANISE, "east")
    hall.badge(111, ANISE, "west")
    (told,) = hall.findings()
    assert (told.kind, told.place) == ("badge-in-two-places", "gateways east and west")
    quiet = Hall(BadgePolicy(travel_us=0))
    quiet.badge(0, ANISE, "east")
    quiet.badge(1, ANISE, "west")
    assert quiet.kinds() == []


def test_a_badge_that_is_not_the_owners() -> None:
    hall = Hall()
    hall.badge(0, ANISE)
    hall.release(1, ANISE, "birch")
    (told,) = hall.findings()
    assert (told.kind, told.place) == ("badge-owner-differs", "printer printer-east")
    assert lines_of(told)[0].startswith("release r")
    assert "anise" not in text_of(told)


def test_a_badge_whose_owner_changed_is_judged_by_the_day() -> None:
    hall = Hall()
    hall.facts.append(Bound(at_us(1_000), ANISE, "clover", at_us(-9_000)))
    hall.release(10, ANISE, "anise")
    hall.release(1_010, ANISE, "clover")
    assert hall.kinds() == []


def test_a_release_behind_another_gateway_than_the_badge() -> None:
    hall = Hall()
    hall.badge(0, ANISE, "west")
    hall.release(5, ANISE, printer="printer-east")
    (told,) = hall.findings()
    assert (told.kind, told.place) == ("badge-elsewhere", "printer printer-east")
    late = Hall()
    late.badge(0, ANISE, "west")
    late.release(700, ANISE, printer="printer-east")
    assert late.kinds() == []


def test_badges_without_release_notices() -> None:
    hall = Hall()
    hall.badge(0)
    hall.release(1)
    for nth in range(9):
        hall.badge(100 + 100 * nth, ANISE if nth % 2 else BIRCH)
    assert hall.kinds() == []
    hall.badge(1_100)
    (told,) = hall.findings()
    assert (told.kind, told.place, told.state) == ("feed-silent", "release notices", "open")
    assert told.since_us == at_us(100)
    hall.release(2_000)
    (told,) = hall.findings()
    assert (told.state, told.until_us) == ("closed", at_us(2_000))


def test_what_never_sent_anything_is_not_silent() -> None:
    hall = Hall()
    for nth in range(30):
        hall.badge(100 * nth, ANISE if nth % 2 else BIRCH)
    assert hall.kinds() == []
    without_lines = Hall()
    for nth in range(30):
        without_lines.release(100 * nth, ANISE)
    assert without_lines.kinds() == []


def test_releases_that_name_a_badge_without_badge_lines() -> None:
    hall = Hall()
    hall.badge(0, BIRCH)
    hall.release(1, BIRCH, "birch")
    for nth in range(10):
        hall.release(1_000 + 100 * nth, ANISE)
    (told,) = hall.findings()
    assert (told.kind, told.place) == ("feed-silent", "badge lines of gateway east")
    hall.badge(3_000)
    assert hall.findings()[0].state == "closed"


def test_a_copy_for_another_printer_is_no_second_badge() -> None:
    origin = Origin(COPY_SOURCE, "urn:x e1 printer-b", at_us(0), at_us(0))
    assert checked_event(BadgePresented("printer-b", origin, ANISE, "east")) is None


@pytest.mark.parametrize("action", ["explain", "close"])
def test_a_person_may_speak_of_it(action: str) -> None:
    hall = Hall()
    hall.badge(0, NOBODY)
    (told,) = hall.findings()
    origin = Origin("urn:invented:desk", "d1", at_us(50), at_us(50))
    hall.facts.append(Decided("", origin, told.id, action, "a warden", "other", "a visitor"))  # type: ignore[arg-type]
    (told,) = hall.findings()
    assert told.state == {"explain": "explained", "close": "closed"}[action]
    assert (told.reason, told.until_us) == ("other", at_us(50))


def test_a_place_before_the_registry_knew_it_is_the_first_one_known() -> None:
    rules = SiteRules.of([Registered(at_us(100), "p", "west"), Registered(at_us(200), "p", "east")])
    assert [rules.gateway_of("p", at_us(second)) for second in (0, 150, 250)] == ["west", "west", "east"]
    assert rules.gateway_of("unheard-of", at_us(0)) == ""


def test_a_clock_that_stepped_is_one_finding_until_it_is_back() -> None:
    hall = Hall()
    hall.clock(0, "started", 0)
    hall.clock(10, "stepped", 3_600)
    hall.clock(15, "stepped", 7_200)
    hall.clock(18, "returned", 0)
    hall.clock(20, "stepped", -60)
    first, second = hall.findings()
    assert (first.kind, first.place, first.state) == ("clock-stepped", "the clock of this machine", "closed")
    assert (first.since_us, first.until_us) == (at_us(10), at_us(18))
    assert "stepped 3600.0 s ahead, from " in text_of(first)
    assert (second.state, second.since_us) == ("open", at_us(20))
    assert "stepped 60.0 s back, from " in text_of(second)


def test_a_clock_that_stepped_is_over_when_the_daemon_begins_again() -> None:
    hall = Hall()
    hall.clock(10, "stepped", 3_600)
    hall.badge(12)
    hall.clock(40, "started", 3_600)
    [told] = hall.findings()
    assert (told.state, told.until_us) == ("closed", at_us(40))


def test_a_site_that_is_behind_is_one_finding_until_all_of_it_is_here() -> None:
    hall = Hall()
    hall.site(5, "annex", "whole")
    hall.site(10, "annex", "silent")
    hall.site(11, "north", "refused")
    # It is heard again, and more is to come: the same trouble.
    hall.site(12, "annex", "behind")
    hall.badge(15)
    hall.site(20, "annex", "whole")
    hall.site(21, "annex", "whole")
    hall.site(30, "annex", "behind")
    found = [one for one in hall.findings() if one.kind == "site-behind"]
    assert [(one.place, one.since_us, one.until_us, one.state) for one in found] == [
        ("site annex", at_us(10), at_us(20), "closed"),
        ("site north", at_us(11), None, "open"),
        ("site annex", at_us(30), None, "open"),
    ]
    assert text_of(found[0]).startswith("site annex is not heard; what it counted since")
    assert text_of(found[2]).startswith("site annex is heard, and more is still to come")


def test_of_several_daemons_each_ends_what_it_said_of_its_own_clock() -> None:
    hall = Hall()
    hall.clock(10, "stepped", 3_600, "mill")
    hall.clock(12, "not-agreed", 60, "barn")
    hall.clock(15, "started", 0, "barn")
    hall.clock(20, "started", 0, "loft")
    hall.badge(25)
    hall.clock(30, "stepped", -60, "barn")
    hall.clock(32, "stepped", 7_200, "mill")
    hall.clock(35, "returned", 0, "barn")
    hall.clock(40, "stepped", 90, "loft")
    hall.clock(50, "started", 0, "mill")
    assert [(one.place, one.kind, one.since_us, one.until_us) for one in hall.findings()] == [
        ("the clock of mill", "clock-stepped", at_us(10), at_us(50)),
        ("the clock of barn", "clock-not-agreed", at_us(12), at_us(15)),
        ("the clock of barn", "clock-stepped", at_us(30), at_us(35)),
        ("the clock of loft", "clock-stepped", at_us(40), None),
    ]


def test_the_only_daemon_ends_what_several_said_of_their_clocks_and_they_what_it_said() -> None:
    hall = Hall()
    hall.clock(10, "stepped", 3_600)
    hall.clock(20, "started", 0, "mill")
    hall.clock(30, "stepped", 90, "mill")
    hall.clock(31, "stepped", 90, "barn")
    hall.clock(40, "started", 0)
    assert [(one.place, one.since_us, one.until_us) for one in hall.findings()] == [
        ("the clock of this machine", at_us(10), at_us(20)),
        ("the clock of mill", at_us(30), at_us(40)),
        ("the clock of barn", at_us(31), at_us(40)),
    ]


def test_a_gateway_that_does_not_answer_is_one_finding_until_it_does() -> None:
    hall = Hall()
    hall.gateway(5, "gate-1", "up")
    hall.gateway(10, "gate-1", "down")
    hall.gateway(11, "gate-2", "down")
    # Said again by a daemon that began anew.
    hall.gateway(12, "gate-1", "down")
    hall.badge(15)
    hall.gateway(20, "gate-1", "up")
    hall.gateway(30, "gate-1", "down")
    found = [one for one in hall.findings() if one.kind == "gateway-down"]
    assert [(one.place, one.since_us, one.until_us, one.state) for one in found] == [
        ("gateway gate-1", at_us(10), at_us(20), "closed"),
        ("gateway gate-2", at_us(11), None, "open"),
        ("gateway gate-1", at_us(30), None, "open"),
    ]
    assert "gateway gate-1 does not answer (tcp 192.0.2.1:22): no connection within 2 s" in text_of(found[0])


def test_a_receiver_that_wants_nothing_more_is_one_finding_until_it_is_sent_to_again() -> None:
    hall = Hall()
    hall.receiver(10, "desk", "retired")
    hall.receiver(11, "night", "retired")
    hall.badge(12)
    hall.receiver(20, "desk", "resumed")
    hall.receiver(30, "desk", "retired")
    # A person spoke while no daemon ran: it is sent to again, and wants nothing again.
    hall.receiver(40, "desk", "retired")
    hall.receiver(50, "nobody", "resumed")
    found = [one for one in hall.findings() if one.kind == "receiver-retired"]
    assert [(one.place, one.since_us, one.until_us, one.state) for one in found] == [
        ("receiver desk", at_us(10), at_us(20), "closed"),
        ("receiver night", at_us(11), None, "open"),
        ("receiver desk", at_us(30), at_us(40), "closed"),
        ("receiver desk", at_us(40), None, "open"),
    ]
    assert "desk answered 410 (Gone)" in text_of(found[0])
