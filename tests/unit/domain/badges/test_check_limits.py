"""Checks of badges and feeds on their limits: one microsecond, one frame or one notice on either side."""

from __future__ import annotations

import pytest

from pagereeve.domain.badges.checks import BadgeChecks, CheckedEvent, CheckStep, steps_of
from pagereeve.domain.facts.facts import (
    BadgePolicySet,
    BadgePresented,
    BadgeUnreadable,
    Bound,
    Origin,
    Registered,
    ReleaseStarted,
)
from pagereeve.domain.facts.policy import BadgePolicy
from pagereeve.domain.facts.site_in_force import SiteRules

POLICY = BadgePolicy(swipe_us=10, travel_us=1_000, nearby_us=500, noisy_frames=20, changed_badges=3, silent_after=2,
                     silent_us=100)  # fmt: skip
LATER_US = 1_000_000
BEGIN_US = 1_750_000_000_000_000


def rules() -> SiteRules:
    return SiteRules.of([
        BadgePolicySet(0, POLICY),
        Registered(0, "printer-east", "east"),
        Registered(0, "printer-west", "west"),
        Bound(0, "b-anise", "anise", 0),
    ])  # fmt: skip


def origin(at_us: int, received_us: int | None = None) -> Origin:
    at_us += BEGIN_US
    return Origin("urn:invented", f"e-{at_us}-{received_us}", at_us, at_us if received_us is None else received_us)


def badge(at_us: int, badge: str = "b-anise", gateway: str = "east", resembles: str = "") -> BadgePresented:
    return BadgePresented("", origin(at_us), badge, gateway, "", "", resembles)


def started(at_us: int, badge: str = "b-anise", owner: str = "anise", printer: str = "printer-east") -> ReleaseStarted:
    return ReleaseStarted(printer, origin(at_us), f"r{at_us}", f"job-{at_us}", owner, badge=badge)


def bad_frame(at_us: int) -> BadgeUnreadable:
    return BadgeUnreadable(origin(at_us), "east", "parity", "")


def checked(*events: CheckedEvent, told_after_us: int = -1) -> BadgeChecks:
    checks = BadgeChecks(rules(), told_after_us=told_after_us)
    for step in sorted((step for event in events for step in steps_of(event)), key=lambda one: one.order):
        checks.take(step)
    return checks


def kinds(*events: CheckedEvent, told_after_us: int = -1) -> list[str]:
    return [finding.kind for _, finding in checked(*events, told_after_us=told_after_us).findings]


@pytest.mark.parametrize(("later_us", "count"), [(10, 1), (11, 2)])
def test_a_swipe_lasts_to_its_last_microsecond(later_us: int, count: int) -> None:
    first = badge(0, "b-nobody", "east")
    other = checked(first, badge(later_us, "b-nobody", "east"))
    assert other.state.reader("east", "").frames == count


@pytest.mark.parametrize(("later_us", "count"), [(500, 1), (501, 2)])
def test_an_unknown_badge_is_told_again_once_it_is_no_more_nearby(later_us: int, count: int) -> None:
    told = checked(badge(0, "b-nobody"), badge(later_us, "b-nobody")).open_findings()
    assert [one.kind for one in told] == ["unknown-badge"] * count


@pytest.mark.parametrize(("later_us", "told"), [(999, True), (1_000, False)])
def test_two_places_are_told_within_the_time_of_travel(later_us: int, told: bool) -> None:
    assert ("badge-in-two-places" in kinds(badge(0), badge(later_us, gateway="west"))) is told


@pytest.mark.parametrize(("later_us", "told"), [(500, True), (501, False)])
def test_a_release_elsewhere_is_told_while_its_badge_is_nearby(later_us: int, told: bool) -> None:
    assert ("badge-elsewhere" in kinds(badge(0), started(later_us, printer="printer-west"))) is told
    assert "badge-elsewhere" not in kinds(badge(0), started(later_us))


EVENTS: list[tuple[str, list[CheckedEvent]]] = [
    ("unknown-badge", [badge(0, "b-nobody")]),
    ("badge-owner-differs", [started(0, owner="birch")]),
    ("reader-noisy", [bad_frame(0)]),
]


@pytest.mark.parametrize(("kind", "events"), EVENTS)
def test_what_was_told_up_to_an_instant_is_not_told_again(kind: str, events: list[CheckedEvent]) -> None:
    before: list[CheckedEvent] = [bad_frame(nth - 19) for nth in range(19)] if kind == "reader-noisy" else []
    told = kinds(*before, *events)
    assert told.count(kind) + [one.kind for one in checked(*before, *events).open_findings()].count(kind) == 1
    for told_after_us, known in ((BEGIN_US, 0), (BEGIN_US - 1, 1)):
        checks = BadgeChecks(rules())
        checks.told_after_us = told_after_us
        if kind == "reader-noisy":
            checks.told_after_us = -1
            for step in (step for event in before for step in steps_of(event)):
                checks.take(step)
            checks.told_after_us = told_after_us
        for step in (step for event in events for step in steps_of(event)):
            checks.take(step)
        found = [finding.kind for _, finding in checks.findings] + [one.kind for one in checks.open_findings()]
        assert found.count(kind) == known


@pytest.mark.parametrize("event", [badge(0), started(0)])
def test_a_feed_that_was_heard_up_to_an_instant_is_not_heard_again(event: CheckedEvent) -> None:
    def heard(told_after_us: int) -> bool:
        checks = checked(event, told_after_us=told_after_us)
        feed = checks.state.gateway("east") if isinstance(event, BadgePresented) else checks.state.releases
        return feed.heard

    assert heard(BEGIN_US - 1)
    assert not heard(BEGIN_US)
    assert checked(event).state.readers.keys() == ({("east", "")} if isinstance(event, BadgePresented) else set())


def test_an_event_at_the_beginning_of_time_is_looked_at() -> None:
    checks = BadgeChecks(rules())
    early = BadgePresented("", Origin("urn:invented", "e", 0, 0), "b-nobody", "east")
    checks.take(CheckStep(0, early))
    assert [finding.kind for finding in checks.open_findings()] == ["unknown-badge"]


@pytest.mark.parametrize(("bad", "good", "noisy"), [(19, 1, True), (18, 2, False), (19, 0, False), (20, 0, True)])
def test_a_reader_is_noisy_from_nineteen_refused_frames_of_twenty(bad: int, good: int, noisy: bool) -> None:
    goods = [badge(100 * nth) for nth in range(good)]
    checks = checked(*goods, *(bad_frame(10_000 + nth) for nth in range(bad)))
    assert (checks.state.reader("east", "").noisy is not None) is noisy


def test_a_noisy_reader_is_quiet_again_from_ten_of_twenty_on() -> None:
    bad = [bad_frame(nth) for nth in range(20)]
    still = checked(*bad, *(badge(1_000 + 100 * nth) for nth in range(9)))
    assert still.state.reader("east", "").noisy is not None
    over = checked(*bad, *(badge(1_000 + 100 * nth) for nth in range(10)))
    assert over.state.reader("east", "").noisy is None
    assert [finding.kind for _, finding in over.findings] == ["reader-noisy"]


def test_a_reader_writes_otherwise_from_the_third_such_badge_in_a_row() -> None:
    def changed(*badges: BadgePresented) -> bool:
        return checked(*badges).state.reader("east", "").changed is not None

    strange = [badge(100 * nth, f"b-{nth}", resembles="decimal") for nth in range(3)]
    assert not changed(*strange[:2])
    assert changed(*strange)
    # A known badge in between begins the count anew.
    assert not changed(*strange[:2], badge(150), badge(200, "b-2", resembles="decimal"))
    again = [badge(300 + 100 * nth, f"b-{nth + 3}", resembles="decimal") for nth in range(2)]
    assert not changed(*strange[:2], badge(150), *again)
    assert changed(*strange[:2], badge(150), *again, badge(600, "b-9", resembles="decimal"))
    # Another style too.
    assert not changed(*strange[:2], badge(300, "b-7", resembles="hex"), badge(400, "b-8", resembles="hex"))


def test_a_style_is_told_from_its_first_badge_on() -> None:
    checks = checked(*(badge(100 * nth, f"b-{nth}", resembles="decimal") for nth in range(4)))
    (told,) = [one for one in checks.open_findings() if one.kind == "reader-form-changed"]
    assert told.since_us == BEGIN_US
    assert checks.state.reader("east", "").otherwise == 4


@pytest.mark.parametrize(("seconds_us", "silent"), [((1_000, 1_100), True), ((1_000, 1_099), False), ((1_000,), False)])
def test_a_feed_is_silent_after_so_many_notices_over_so_long(seconds_us: tuple[int, ...], silent: bool) -> None:
    heard: list[CheckedEvent] = [badge(0), started(1)]
    checks = checked(*heard, *(started(LATER_US + at_us) for at_us in seconds_us))
    assert (checks.state.gateway("east").silent is not None) is silent
    assert (checks.state.gateway("east").unmatched, checks.state.gateway("east").since_us) == (
        len(seconds_us),
        BEGIN_US + LATER_US + 1_000,
    )


def test_an_arrival_is_never_before_its_event() -> None:
    early = BadgePresented("", Origin("urn:invented", "e", 100, 50), "b-anise", "east")
    late = BadgePresented("", Origin("urn:invented", "e", 100, 150), "b-anise", "east")
    assert [step.at_us for step in steps_of(early)] == [100, 100]
    assert [step.at_us for step in steps_of(late)] == [100, 150]
