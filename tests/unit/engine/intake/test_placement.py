"""The third stage alone: on which timelines a notice belongs, with plain functions for what it asks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from pagereeve.domain.badges.projector import COPY_SOURCE
from pagereeve.domain.facts.facts import (
    BadgePresented,
    BadgeUnreadable,
    Decided,
    Fact,
    PagesDecided,
    PrinterNoted,
    ReadingNoted,
    ReleaseStarted,
)
from pagereeve.domain.facts.noted_reading import NotedReading
from pagereeve.domain.facts.page_decision import PageDecision
from pagereeve.domain.ledger import Finding
from pagereeve.domain.values.errors import BadFact
from pagereeve.engine.intake.placement import NO_MATCH, Lookup, Placed, match_notices, place
from pagereeve.ports.journal import Receipt
from tests.findings import said
from tests.unit.engine.intake.facts import SOURCE, ended, origin, started

FINDINGS = {
    "f-1": Finding("f-1", "stray-pages", "warning", "p", 40, None, "open", said("told")),
    "f-2": Finding("f-2", "unknown-badge", "warning", "", 50, None, "open", said("told")),
}
PRESENTED = BadgePresented("", origin("b1"), "b-1", "gw")
CLOSED = Decided("", origin("d1"), "f-1", "close", "warden")


def lookup(*starts: ReleaseStarted) -> Lookup:
    async def starts_of(source: str, release: str) -> Sequence[ReleaseStarted]:
        return [one for one in starts if (one.origin.source, one.release) == (source, release)]

    async def finding(name: str) -> Finding | None:
        return FINDINGS.get(name)

    def behind(gateway: str) -> Sequence[str]:
        return {"gw": ("a", "b", "c"), "single": ("a",)}.get(gateway, ())

    async def notices(source: str, release: str) -> Sequence[Fact]:
        return await starts_of(source, release)

    async def pages(decided: PagesDecided) -> PagesDecided:
        return replace(decided, printer="p")

    async def reading(noted: ReadingNoted) -> ReadingNoted:
        return replace(noted, origin=replace(noted.origin, at_us=30))

    return Lookup(starts_of, finding, behind, notices, lambda name: name in {"a", "b", "c"}, pages, reading)


async def test_a_start_names_its_printer_whose_reading_a_sender_may_wait_for() -> None:
    assert await place(started("p", 1), lookup()) == Placed((started("p", 1),), meters=("p",), gate="p")


async def test_a_note_has_its_meter_read() -> None:
    note = PrinterNoted("p", origin("n1"), "maintenance-begun")
    assert await place(note, lookup()) == Placed((note,), meters=("p",))


async def test_a_decision_about_pages_lies_with_their_printer_and_no_rows_change() -> None:
    decided = PagesDecided("", origin("d"), "warden", PageDecision("waive", 1, "jam", "total", "/s", "r-1"))
    assert await place(decided, lookup()) == Placed((replace(decided, printer="p"),))


async def test_a_noted_reading_lies_at_the_instant_at_which_it_was_read_and_asks_for_none() -> None:
    noted = ReadingNoted("p", origin("n"), "warden", NotedReading(30, "total", 4_711))
    at_us = replace(noted.origin, at_us=30)
    assert await place(noted, lookup()) == Placed((replace(noted, origin=at_us),))


async def test_an_end_without_a_start_waits_under_no_printer() -> None:
    assert await place(ended(5), lookup(started("p", 1, "another"))) == Placed((ended(5),))


@pytest.mark.parametrize(
    ("starts", "at_us", "printer", "placed_us"),
    [
        ([("p", 1)], 5, "p", 5),
        ([("p", 1), ("q", 3)], 5, "q", 5),
        # The name was used again after this end: the end is the first one's.
        ([("p", 1), ("q", 8)], 5, "p", 5),
        ([("p", 1), ("q", 5)], 5, "q", 5),
        # An end that claims to be earlier than every start is not before the first start there.
        ([("p", 7)], 5, "p", 7),
        ([("p", 7), ("p", 9)], 5, "p", 7),
        ([("p", 7), ("q", 9)], 5, "q", 9),
        ([("p", 1), ("p", 3)], 2, "p", 2),
    ],
)
async def test_an_end_follows_the_latest_start_before_it(
    starts: list[tuple[str, int]], at_us: int, printer: str, placed_us: int
) -> None:
    known = [started(*one) for one in starts]
    placed = await place(ended(at_us), lookup(*known))
    there = replace(ended(at_us), printer=printer)
    assert placed == Placed((replace(there, origin=replace(there.origin, at_us=placed_us)),), known)


async def test_a_badge_stands_with_every_printer_behind_its_gateway_and_is_one_event() -> None:
    placed = await place(PRESENTED, lookup())
    first, *copies = placed.facts
    assert first == replace(PRESENTED, printer="a")
    assert [(one.printer, one.origin.source, one.origin.id) for one in copies if isinstance(one, BadgePresented)] == [
        (printer, COPY_SOURCE, f"{SOURCE} b1 {printer}") for printer in ("b", "c")
    ]
    assert (placed.meters, placed.gate) == (("a", "b", "c"), "")


@pytest.mark.parametrize(("gateway", "printers"), [("single", ("a",)), ("nobody-knows", ())])
async def test_a_badge_of_a_gateway_with_one_printer_or_none(gateway: str, printers: tuple[str, ...]) -> None:
    event = replace(PRESENTED, gateway=gateway)
    assert await place(event, lookup()) == Placed((replace(event, printer="".join(printers)),), meters=printers)


@pytest.mark.parametrize(("finding", "printer", "since_us"), [("f-1", "p", 40), ("f-2", "", 50)])
async def test_a_decision_stands_with_its_findings_printer(finding: str, printer: str, since_us: int) -> None:
    event = replace(CLOSED, finding=finding)
    assert await place(event, lookup()) == Placed((replace(event, printer=printer),), concerns_us=since_us)


async def test_a_decision_about_nothing_is_refused() -> None:
    with pytest.raises(BadFact) as refused:
        await place(replace(CLOSED, finding="f-9"), lookup())
    assert refused.value.where == "data.finding"


async def test_an_unreadable_badge_stands_with_no_printer() -> None:
    event = BadgeUnreadable(origin("b1"), "gw", "form")
    assert await place(event, lookup()) == Placed((event,))


def notices(*known: Fact) -> Receipt:
    return Receipt("stored", 1, known)


def test_a_start_brings_home_the_end_that_waits_for_it() -> None:
    matched = match_notices(started("p", 1), notices(ended(5)))
    assert matched.starts == [started("p", 1)]
    copy = replace(ended(5), printer="p", origin=origin("e-5", 5))
    assert matched.ends == [replace(copy, origin=replace(copy.origin, id="e-5#routed"))]


@pytest.mark.parametrize(
    ("end", "brought"),
    [
        (ended(5, "p"), []),
        # At the printer where the name was used before, though it came after the later start.
        (ended(5, "q"), ["p"]),
        (ended(3, "q"), ["p"]),
        (ended(2, "q"), []),
    ],
)
def test_a_start_leaves_an_end_where_it_rightly_lies(end: Fact, brought: list[str]) -> None:
    matched = match_notices(started("p", 3), notices(started("q", 1), end))
    assert [one.printer for one in matched.starts] == ["q", "p"]
    assert [one.printer for one in matched.ends] == brought


def test_an_end_that_was_stored_beside_its_start_follows_it() -> None:
    matched = match_notices(ended(5), notices(started("p", 1)))
    assert [(one.printer, one.origin.id) for one in matched.ends] == [("p", "e-5#routed")]


def test_what_comes_again_is_matched_again() -> None:
    """The process may have died between storing a start and routing the end; the copy is then a duplicate, or new."""
    again = Receipt("duplicate", 1, (started("p", 1), ended(5)))
    assert match_notices(started("p", 1), again).starts == [started("p", 1)]
    assert [one.printer for one in match_notices(started("p", 1), again).ends] == ["p"]


@pytest.mark.parametrize(
    ("fact", "receipt"),
    [
        (started("p", 1), Receipt("conflict", 1)),
        (ended(5), notices()),
        (ended(5), notices(ended(4))),
        (ended(5, "p"), notices()),
        (PRESENTED, notices(started("p", 1), ended(5))),
    ],
)
def test_what_has_no_start_brings_nothing_home(fact: Fact, receipt: Receipt) -> None:
    assert match_notices(fact, receipt) is NO_MATCH
