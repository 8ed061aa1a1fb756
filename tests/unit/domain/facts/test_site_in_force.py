"""What is in force for the site at an instant, and one microsecond before it."""

from __future__ import annotations

from pagereeve.domain.facts.facts import BadgePolicySet, Bound, Registered
from pagereeve.domain.facts.policy import BadgePolicy
from pagereeve.domain.facts.site_in_force import SiteRules


def test_a_directory_is_known_from_the_instant_it_became_known() -> None:
    rules = SiteRules.of([Bound(0, "b-2", "birch", 120), Bound(0, "b-1", "anise", 100)])
    assert rules.directory_us == 100
    assert not rules.has_directory(99)
    assert rules.has_directory(100)
    assert not SiteRules().has_directory(2**62)


def test_a_binding_counts_from_its_date_and_never_before_it_was_known() -> None:
    rules = SiteRules.of([Bound(50, "b-1", "anise", 100), Bound(300, "b-2", "birch", 100)])
    assert [rules.owner_of("b-1", at_us) for at_us in (99, 100)] == ["", "anise"]
    assert [rules.owner_of("b-2", at_us) for at_us in (299, 300)] == ["", "birch"]
    assert rules.owner_of("b-3", 300) == ""


def test_a_binding_ends_at_its_end() -> None:
    rules = SiteRules.of([Bound(0, "b-1", "anise", 0, until_us=200)])
    assert [rules.owner_of("b-1", at_us) for at_us in (199, 200)] == ["anise", ""]
    assert [len(rules.standing_at(at_us)) for at_us in (199, 200)] == [1, 0]


def test_what_was_said_last_of_a_binding_counts() -> None:
    rules = SiteRules.of([Bound(0, "b-1", "anise", 0), Bound(0, "b-1", "anise", 100, until_us=150)])
    assert [rules.owner_of("b-1", at_us) for at_us in (99, 149, 150)] == ["anise", "anise", ""]
    assert rules.standing_at(150) == []


def test_a_printer_stands_where_it_was_registered_last_and_before_the_first_where_it_was_first() -> None:
    rules = SiteRules.of([Registered(100, "p", "east"), Registered(200, "p", "west"), Registered(300, "p", "north")])
    assert [rules.gateway_of("p", at_us) for at_us in (0, 99, 100, 199, 200, 299, 300)] == [
        "east", "east", "east", "east", "west", "west", "north",
    ]  # fmt: skip
    assert rules.gateway_of("q", 100) == ""


def test_the_badge_policy_in_force_is_the_last_one_set_and_before_the_first_the_first() -> None:
    first, second, third = (BadgePolicy(swipe_us=nth) for nth in (1, 2, 3))
    rules = SiteRules.of([BadgePolicySet(300, third), BadgePolicySet(100, first), BadgePolicySet(200, second)])
    assert [rules.policy_at(at_us) for at_us in (0, 100, 199, 200, 299, 300)] == [
        first, first, first, second, second, third,
    ]  # fmt: skip
    assert SiteRules().policy_at(0) == BadgePolicy()


def test_events_matter_as_long_as_the_longest_time_of_any_policy() -> None:
    times = [{"swipe_us": 10}, {"travel_us": 20}, {"nearby_us": 30}]
    short = {"swipe_us": 1, "travel_us": 1, "nearby_us": 1}
    policies = [BadgePolicy(**(short | one)) for one in times]
    for nth in range(1, 4):
        rules = SiteRules.of([BadgePolicySet(at_us, one) for at_us, one in enumerate(policies[:nth])])
        assert rules.reach_us() == 10 * nth
    assert SiteRules().reach_us() == SiteRules.of([BadgePolicySet(0, BadgePolicy())]).reach_us()
