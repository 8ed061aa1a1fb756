"""The second stage alone: badge numbers become keyed hashes, titles go."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import get_args

import pytest

from pagereeve.domain.badges.form import BadgeForm
from pagereeve.domain.facts.facts import (
    BadgePresented,
    BadgeUnreadable,
    Decided,
    Event,
    PrinterNoted,
    ReleaseStarted,
)
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.engine.counters import EngineCounters
from pagereeve.engine.intake.badge_hashing import BadgeHasher
from pagereeve.engine.intake.dating import Dated
from pagereeve.engine.intake.privacy import Privacy
from tests.unit.engine.intake.facts import ended, origin, started

BADGE = "1EA68671"
HASHER = BadgeHasher(b"an invented key of 32 octets ....", BadgeForm("hex", 32))
PRESENTED = BadgePresented("", origin("b1"), BADGE, "gw", "left")


def privacy(*, keep_titles: bool = False) -> Privacy:
    return Privacy(HASHER, EngineCounters(), keep_titles)


def test_a_presented_badge_is_its_hash() -> None:
    assert privacy().event(Dated(PRESENTED)) == replace(PRESENTED, badge=HASHER.hashed(BADGE))


def test_the_hash_completes_the_identity_of_a_raw_line() -> None:
    event = privacy().event(Dated(PRESENTED, named=False))
    assert isinstance(event, BadgePresented)
    assert event.origin.id == f"b1-{HASHER.hashed(BADGE)[:12]}"
    assert BADGE not in repr(event)


@pytest.mark.parametrize(("named", "identity"), [(True, "b1"), (False, "b1-unreadable")])
def test_what_the_readers_form_refuses_is_unreadable_and_counted(named: bool, identity: str) -> None:
    stage = privacy()
    event = stage.event(Dated(replace(PRESENTED, badge="1EA686ZZ"), named=named))
    assert event == BadgeUnreadable(origin(identity), "gw", "form", "left")
    assert stage.counters.refused_badges == {"form": 1}


@pytest.mark.parametrize("keep", [False, True])
def test_a_release_keeps_all_but_its_title(keep: bool) -> None:
    ticket = Ticket(pages=3, title="An invented letter")
    release = replace(started("p", 1), badge=BADGE, ticket=ticket)
    event = privacy(keep_titles=keep).event(Dated(release))
    kept = ticket if keep else replace(ticket, title=None)
    assert event == replace(release, badge=HASHER.hashed(BADGE), ticket=kept)


def test_a_release_is_worth_more_than_a_badge_that_can_not_be_read() -> None:
    stage = privacy()
    assert stage.event(Dated(replace(started("p", 1), badge="ZZ"))) == started("p", 1)
    assert stage.counters.refused_badges == {"form": 1}


@pytest.mark.parametrize(
    "event", [ended(2), PrinterNoted("p", origin("n1"), "moved"), Decided("", origin("d1"), "f-1", "close", "warden")]
)
def test_others_pass_as_they_are(event: Event) -> None:
    assert privacy().event(Dated(event)) is event


def test_no_other_type_of_event_holds_a_badge_or_a_ticket() -> None:
    """One that comes to hold either needs a case of its own in the stage."""
    holders = {one for one in get_args(Event) if {"badge", "ticket", "title"} & {member.name for member in fields(one)}}
    assert holders == {BadgePresented, ReleaseStarted}
