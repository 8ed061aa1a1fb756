"""The second stage alone: badge numbers become keyed hashes, titles go."""

from __future__ import annotations

import re
from dataclasses import fields, replace
from typing import Any, get_args, get_type_hints

import pytest

from pagereeve.domain.badges.form import BadgeForm
from pagereeve.domain.facts.facts import (
    BadgePresented,
    BadgeUnreadable,
    Decided,
    Event,
    Origin,
    PrinterNoted,
    ReleaseStarted,
)
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.domain.values.errors import BadFact
from pagereeve.engine.counters import EngineCounters
from pagereeve.engine.intake.badge_hashing import BadgeHasher
from pagereeve.engine.intake.dating import Dated
from pagereeve.engine.intake.privacy import FREE_TEXTS, Privacy
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
    stage = privacy(keep_titles=keep)
    event = stage.event(Dated(release))
    kept = ticket if keep else replace(ticket, title=None)
    assert event == replace(release, badge=HASHER.hashed(BADGE), ticket=kept)
    stage.event(Dated(started("p", 2)))  # without a title
    assert stage.counters.telemetry().titles == {"kept": int(keep), "left-out": int(not keep), "erased": 0}


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


def texts_of(cls: type, above: str = "") -> set[str]:
    """The attributes of an event that are texts of no closed list, by their paths; those of its parts, too."""
    hints, found = get_type_hints(cls), set()
    for one in fields(cls):
        kind = hints[one.name]
        if kind is Origin or kind is Ticket:
            found |= texts_of(kind, f"{above}{one.name}.")
        elif kind is str or kind == (str | None):
            found.add(f"{above}{one.name}")
    return found


@pytest.mark.plain
@pytest.mark.parametrize("event", FREE_TEXTS)
def test_every_text_of_an_event_with_a_badge_is_looked_at(event: type) -> None:
    # printer of a presented badge, and resembles, are ours; a member of a closed list holds no number.
    ours = {"badge", "resembles", *({"printer"} if event is BadgePresented else ())}
    named = {where.removeprefix("data.") for where, _ in FREE_TEXTS[event]}
    assert named == {path.removeprefix("origin.") for path in texts_of(event) - ours}


HIDDEN = ["1EA68671", "1e:a6:86:71", "7186A61E", "514229873", "0514229873", "1904649758", "x-1EA68671-2026-11-29"]


@pytest.mark.parametrize("text", HIDDEN)
@pytest.mark.parametrize("event", [PRESENTED, replace(started("p", 1), badge=BADGE, ticket=Ticket(pages=1))])
def test_a_member_that_holds_the_badge_number_is_refused_without_repeating_it(event: Event, text: str) -> None:
    stage = privacy(keep_titles=True)
    for where, _ in FREE_TEXTS[type(event)]:
        part, _, last = where.removeprefix("data.").rpartition(".")
        change: dict[str, Any] = {last: text}
        if where in {"source", "id"}:
            odd = replace(event, origin=replace(event.origin, **change))
        elif part == "ticket" and isinstance(event, ReleaseStarted):
            odd = replace(event, ticket=replace(event.ticket, **change))
        else:
            odd = replace(event, **change)
        with pytest.raises(BadFact) as refused:
            stage.event(Dated(odd))
        assert refused.value.where == where
        assert "without the number" in refused.value.problem
        digits = "".join(re.findall(r"[0-9a-f]", str(refused.value).lower()))
        assert BADGE.lower() not in digits
        assert "514229873" not in digits


def test_a_number_that_its_form_refuses_is_looked_for_as_well() -> None:
    odd = replace(PRESENTED, badge="1EA686ZZ", origin=replace(PRESENTED.origin, id="e-1ea686zz-7"))
    with pytest.raises(BadFact, match="id: holds the number"):
        privacy().event(Dated(odd))


def test_a_title_that_is_dropped_may_hold_it_and_so_may_what_is_the_sites_own() -> None:
    release = replace(started("p", 1), badge=BADGE, ticket=Ticket(pages=3, title=BADGE))
    assert isinstance(privacy().event(Dated(release)), ReleaseStarted)
    assert isinstance(privacy().event(Dated(replace(PRESENTED, gateway=BADGE), named=False)), BadgePresented)


def test_an_event_without_a_badge_is_left_alone() -> None:
    release = replace(started("p", 1), job=BADGE)
    assert privacy().event(Dated(release)) == release
