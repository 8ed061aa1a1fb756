"""The badge checks's findings do not depend on the order, the multiplicity or the steps in which events come."""

from __future__ import annotations

from random import Random

from hypothesis import given, settings
from hypothesis import strategies as st

from pagereeve.domain.badges.checks import CheckedEvent
from pagereeve.domain.badges.projector import BadgeProjector, BadgeResumePoint, badge_findings
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
from pagereeve.domain.ledger import Finding, RowSegment
from pagereeve.domain.projection.projector import apply_update
from pagereeve.domain.values.instants import SECOND_US

DAY_US = 1_800_000_000 * SECOND_US
POLICY = BadgePolicy(
    nearby_us=40 * SECOND_US, noisy_frames=5, changed_badges=3, silent_after=4, silent_us=20 * SECOND_US
)
RULES = SiteRules.of(
    [
        BadgePolicySet(DAY_US - SECOND_US, POLICY),
        *(Registered(DAY_US - SECOND_US, f"p{nth}", f"g{nth % 2}") for nth in range(4)),
        *(Bound(0, f"b{nth}", f"owner{nth}", DAY_US - SECOND_US) for nth in range(4)),
    ]
)


def an_hour(seed: int, length: int = 120) -> list[CheckedEvent]:
    random, at_us, events = Random(seed), DAY_US, []
    for nth in range(length):
        at_us += int(random.choice([0.1, 1, 3, 8, 30]) * SECOND_US)
        late_us = int(random.choice([0, 0, 0, 0.2, 5, 50, 300]) * SECOND_US)
        origin = Origin("urn:invented", f"e{nth}", at_us, at_us + late_us)
        badge, gateway = f"b{random.randrange(6)}", f"g{random.randrange(2)}"
        events.append(_event(random, origin, badge, gateway))
    return events


def _event(random: Random, origin: Origin, badge: str, gateway: str) -> CheckedEvent:
    match random.choice(["badge"] * 5 + ["frame"] * 3 + ["release"] * 3):
        case "badge":
            resembles = random.choice(["", "", "byte-reversed"]) if badge in {"b4", "b5"} else ""
            return BadgePresented("", origin, badge, gateway, random.choice(["", "desk"]), "", resembles)
        case "frame":
            return BadgeUnreadable(origin, gateway, "parity", random.choice(["", "desk"]))
    owner, named = f"owner{random.randrange(4)}", random.choice(["", badge])
    return ReleaseStarted(f"p{random.randrange(4)}", origin, origin.id, "job", owner, badge=named)


def ordered(findings: list[Finding]) -> list[Finding]:
    return sorted(findings, key=lambda one: (one.since_us, one.kind, one.id))


@given(st.integers(0, 10**6))
@settings(max_examples=60)
def test_order_and_repetition_make_no_difference(seed: int) -> None:
    events = an_hour(seed)
    whole = ordered(badge_findings(RULES, events))
    mixed = [*events, *events]
    Random(seed).shuffle(mixed)
    assert ordered(badge_findings(RULES, mixed)) == whole


@given(st.integers(0, 10**6), st.integers(2, 40), st.sampled_from([0, 10, 60]))
@settings(max_examples=80)
def test_increments_with_resume_points_restarts_and_late_events_equal_the_whole(
    seed: int, seal_every: int, hold_back_s: int
) -> None:
    events, random = an_hour(seed), Random(seed + 1)
    arriving = sorted(events, key=lambda one: (one.origin.received_us, random.random()))
    segments: dict[int, RowSegment] = {}
    known: list[CheckedEvent] = []
    projector = BadgeProjector(RULES, hold_back_us=hold_back_s * SECOND_US, seal_every=seal_every)
    for event in arriving:
        known.append(event)
        if projector.is_late(event) or random.randrange(30) == 0:
            projector = reopened(segments, known, event.origin.at_us, projector)
        else:
            projector.add(event)
        update = projector.advance(event.origin.received_us - random.choice([0, 0, 2, 40]) * SECOND_US)
        if update is not None:
            apply_update(segments, update)
    update = projector.advance()
    if update is not None:
        apply_update(segments, update)
    found = [finding for segment in segments.values() for finding in segment.findings]
    assert ordered(found) == ordered(badge_findings(RULES, events))


def reopened(
    segments: dict[int, RowSegment], known: list[CheckedEvent], before_us: int, projector: BadgeProjector
) -> BadgeProjector:
    """As the badge watcher does after a restart, or for a late event."""
    resume_points = [
        BadgeResumePoint.from_json(segment.resume_point)
        for segment in segments.values()
        if segment.resume_point is not None
    ]
    resume_point = max((one for one in resume_points if one.at_us < before_us), key=lambda one: one.at_us, default=None)
    fresh = BadgeProjector(RULES, resume_point, projector.hold_back_us, projector.seal_every)
    from_us = fresh.needed_from_us()
    for event in known:
        if from_us is None or event.origin.at_us >= from_us:
            fresh.add(event)
    return fresh
