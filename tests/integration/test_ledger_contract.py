"""What ports.ledger promises, of the ledger in memory and of the one in SQLite alike."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

from pagereeve.domain.accounts.ledger_rows import LedgerRow, ledger_row
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.findings.finding import EVIDENCE_MAX
from pagereeve.domain.ledger import EvidenceKind, ReleaseKey, RowSegment
from pagereeve.domain.projection.projector import rebuild
from pagereeve.domain.values.errors import BadCanonical
from pagereeve.ports.store import Store
from pagereeve.store.sql.posting_reads import PAGE_LEDGER
from pagereeve.store.sql.snapshots import PAGE_ROWS
from tests.journal_samples import (
    NOON_US,
    SECOND_US,
    SERVER,
    charge,
    finding,
    key,
    posting,
    segment,
    stretch,
    without_resume_point,
)
from tests.unit.domain.story import PRINTER, Story
from tests.unit.domain.story import SERVER as SERVER_OF_STORY

MINUTE_US = 60 * SECOND_US


async def test_segments_come_back_as_they_were_stored(store: Store) -> None:
    segments = [segment("printer-a", 1), segment("printer-a", 2), without_resume_point(segment("printer-a", 3))]
    await store.replace("printer-a", None, segments)
    assert await store.segments("printer-a") == segments
    assert await store.segments("printer-b") == []


async def test_replacing_drops_what_lies_from_the_anchor_on_and_nothing_else(store: Store) -> None:
    await store.replace("printer-a", None, [segment("printer-a", number) for number in (1, 2, 3)])
    await store.replace("printer-b", None, [segment("printer-b", 2)])
    await store.replace("printer-a", NOON_US + 2 * MINUTE_US, [segment("printer-a", 5)])
    assert [one.anchor_us for one in await store.segments("printer-a")] == [NOON_US + n * MINUTE_US for n in (1, 5)]
    assert await store.segments("printer-b") == [segment("printer-b", 2)]
    assert len(await store.charges_of("release-3")) == 0
    assert len(await store.findings(only_open=False)) == 3
    await store.replace("printer-a", None, [])
    assert await store.segments("printer-a") == []


@pytest.mark.parametrize(
    ("segments", "problem"),
    [
        ([segment("printer-b", 1)], "another printer"),
        ([segment("printer-a", 2), segment("printer-a", 1)], "rising order"),
        ([segment("printer-a", 1), segment("printer-a", 1)], "rising order"),
        ([segment("printer-a", 0)], "lies before"),
    ],
)
async def test_segments_in_the_wrong_place_are_refused(store: Store, segments: list[RowSegment], problem: str) -> None:
    await store.replace("printer-a", None, [segment("printer-a", 9)])
    with pytest.raises(ValueError, match=problem):
        await store.replace("printer-a", NOON_US + MINUTE_US, segments)
    assert await store.segments("printer-a") == [segment("printer-a", 9)]


async def test_a_resume_point_without_a_canonical_form_is_refused(store: Store) -> None:
    with pytest.raises(BadCanonical):
        await store.replace("printer-a", None, [replace(segment("printer-a", 1), resume_point={"total": 2**60})])


async def test_the_segment_before_an_instant_has_a_resume_point(store: Store) -> None:
    segments = [segment("printer-a", 1), segment("printer-a", 2), without_resume_point(segment("printer-a", 3))]
    await store.replace("printer-a", None, segments)
    assert await store.segment_before("printer-a", NOON_US + 9 * MINUTE_US) == segment("printer-a", 2)
    assert await store.segment_before("printer-a", NOON_US + 2 * MINUTE_US) == segment("printer-a", 2)
    assert await store.segment_before("printer-a", NOON_US + 2 * MINUTE_US - 1) == segment("printer-a", 1)
    assert await store.segment_before("printer-a", NOON_US) is None
    assert await store.segment_before("printer-b", NOON_US + 9 * MINUTE_US) is None


async def test_charges_of_a_period_come_in_order_of_start_its_end_left_out(store: Store) -> None:
    for printer in ("printer-b", "printer-a"):
        await store.replace(printer, None, [segment(printer, number) for number in (1, 2, 3)])
    charges = [one async for one in store.charges(NOON_US + MINUTE_US, NOON_US + 3 * MINUTE_US)]
    expected = [
        charge(printer, key(number), NOON_US + number * MINUTE_US, channel)
        for number in (1, 2)
        for printer in ("printer-a", "printer-b")
        for channel in ("mono", "total")
    ]
    assert charges == expected
    assert [one async for one in store.charges(NOON_US, NOON_US)] == []


@pytest.mark.parametrize("number", [PAGE_ROWS, PAGE_ROWS + 1, 2 * PAGE_ROWS + 5])
async def test_nothing_is_lost_or_doubled_between_pages(store: Store, number: int) -> None:
    """Half of the charges start in the same instant: the order must hold within it."""
    charges = tuple(charge("printer-a", key(place), NOON_US + max(0, place - number // 2)) for place in range(number))
    postings = tuple(posting("printer-a", NOON_US + place // 7) for place in range(number))
    await store.replace("printer-a", None, [RowSegment("printer-a", NOON_US, None, charges=charges, postings=postings)])
    found = [one async for one in store.charges(NOON_US, NOON_US + number)]
    assert sorted(found, key=lambda one: one.release) == sorted(charges, key=lambda one: one.release)
    assert [one.started_us for one in found] == sorted(one.started_us for one in charges)
    assert [one async for one in store.postings(NOON_US, NOON_US + number)] == list(postings)


@pytest.mark.parametrize("more", [-1, 0, 1, PAGE_LEDGER])
async def test_no_row_of_the_ledger_is_lost_or_doubled_between_pages(store: Store, more: int) -> None:
    """Each with two stretches between its cuts, and seven that closed at once."""
    number = PAGE_LEDGER + more
    postings = [posting("printer-a", NOON_US + place // 7 * 10) for place in range(number)]
    cuts = sorted({(one.opens_us, one.closes_us) for one in postings})
    stretches = tuple(stretch("printer-a", *one, key(1)) for one in cuts for _ in range(2))
    whole = RowSegment("printer-a", 0, None, stretches=stretches, postings=tuple(postings))
    await store.replace("printer-a", None, [whole])
    expected = [ledger_row(one, stretch("printer-a", one.opens_us, one.closes_us, key(1))) for one in postings]
    assert await ledger_of(store, NOON_US, NOON_US + 10 * number) == expected


async def test_a_printer_projected_anew_between_pages_shows_each_charge_once(store: Store) -> None:
    number = PAGE_ROWS + 40
    charges = tuple(charge("printer-a", key(1_000 + place), NOON_US) for place in range(number))
    await store.replace("printer-a", None, [RowSegment("printer-a", NOON_US, None, charges=charges)])
    seen = []
    async for one in store.charges(0, 2 * NOON_US):
        seen.append(one.release)
        if len(seen) == PAGE_ROWS // 2:
            moved = [RowSegment("printer-a", NOON_US + SECOND_US, None, charges=charges[::-1])]
            await store.replace("printer-a", None, moved)
    assert seen == [one.release for one in charges]


async def test_charges_of_a_release_whatever_its_source(store: Store) -> None:
    other = charge("printer-a", replace(key(1), source="urn:example:another-server"), NOON_US)
    await store.replace(
        "printer-a", None, [replace(segment("printer-a", 1), charges=(charge("printer-a", key(1), NOON_US + 1), other))]
    )
    assert [one.release.source for one in await store.charges_of("release-1")] == ["urn:example:another-server", SERVER]
    assert await store.charges_of("release-2") == []


async def test_stretches_that_touch_an_interval(store: Store) -> None:
    whole = [segment("printer-a", number) for number in (1, 2, 3)]
    await store.replace("printer-a", None, whole)
    edge_us = whole[1].anchor_us
    assert await store.stretches("printer-a", edge_us, edge_us) == [whole[1].stretches[0]]
    assert await store.stretches("printer-a", edge_us, edge_us + 30 * SECOND_US) == list(whole[1].stretches)
    assert await store.stretches("printer-b", 0, 2 * NOON_US) == []


async def test_rows_of_the_ledger_are_postings_with_the_stretch_that_counted_what_they_give(store: Store) -> None:
    """Without one, with another that counted something else between the same cuts, and with several."""
    whole = [segment("printer-a", number) for number in (1, 2, 3)]
    made = [replace(one, postings=(replace(one.postings[0], opens_us=one.anchor_us),)) for one in whole]
    first, other = made[1].stretches[0], made[2].stretches[0]
    several = (replace(first, counted=5, unit=Unit.SHEETS), first, replace(first, unit=Unit.SHEETS))
    made[1] = replace(made[1], stretches=several)
    made[2] = replace(made[2], stretches=(replace(other, counted=5),))
    await store.replace("printer-a", None, made)
    await store.replace("printer-b", None, [segment("printer-b", 1)])
    mine = [
        ledger_row(one.postings[0], which)
        for one, which in zip(made, (whole[0].stretches[0], first, None), strict=True)
    ]
    another = ledger_row(segment("printer-b", 1).postings[0], None)
    assert await ledger_of(store, 0, 2 * NOON_US) == [mine[0], another, *mine[1:]]
    assert await ledger_of(store, 0, 2 * NOON_US, "printer-a") == mine
    closes_us = first.closes_us
    assert await ledger_of(store, closes_us, closes_us + 1) == [mine[1]]
    assert await ledger_of(store, closes_us + 1, closes_us + 2) == []


async def ledger_of(store: Store, from_us: int, to_us: int, printer: str | None = None) -> list[LedgerRow]:
    return [row async for page in store.ledger_rows(from_us, to_us, printer) for row in page]


async def test_postings_of_a_period_with_their_legs_in_order(store: Store) -> None:
    await store.replace("printer-a", None, [segment("printer-a", number) for number in (1, 2)])
    closes_us = NOON_US + MINUTE_US + 30 * SECOND_US
    assert [one async for one in store.postings(closes_us, closes_us + 1)] == [posting("printer-a", closes_us)]
    assert [one async for one in store.postings(closes_us + 1, closes_us + 2)] == []


async def test_findings_open_or_all_and_by_the_release_that_they_name(store: Store) -> None:
    closed = finding("printer-a", 7, key(7), key(8), since_us=NOON_US, state="closed")
    silent = finding("printer-a", 9, since_us=NOON_US + 1)
    full = replace(segment("printer-a", 1), findings=(silent, closed))
    await store.replace("printer-a", None, [full])
    assert await store.findings(only_open=True) == [silent]
    assert await store.findings(only_open=False) == [closed, silent]
    assert await store.findings_of(key(8)) == [closed]
    assert await store.findings_of(key(9)) == []
    assert await store.findings_of(replace(key(8), source="urn:example:another-server")) == []


async def test_each_of_a_hundred_releases_in_one_bracket_finds_its_finding(store: Store) -> None:
    """However much of the evidence is shown; as the projection makes it, and as it is read back."""
    story = Story()
    story.reading(-1, 100)
    names = [f"r{nth}" for nth in range(100)]
    for nth, name in enumerate(names):
        story.release(nth / 10, name, pages=1)
        story.ended(20 + nth / 10, name)
    story.rest(40, 120, 250, every=10)
    await store.replace(PRINTER, None, rebuild(PRINTER, story.facts, story.current))
    (surplus,) = [one for one in await store.findings(only_open=True) if one.kind == "surplus"]
    assert len(surplus.evidence) == EVIDENCE_MAX + 1
    assert surplus.evidence[-1].kind is EvidenceKind.MORE
    for name in names:
        assert await store.findings_of(ReleaseKey(SERVER_OF_STORY, name)) == [surplus]
    assert await store.findings_of(ReleaseKey(SERVER_OF_STORY, "r100")) == []


async def test_replacements_at_once_keep_their_order(store: Store) -> None:
    segments = [segment("printer-a", number) for number in range(1, 30)]
    await asyncio.gather(*(store.replace("printer-a", None, [one]) for one in segments))
    assert await store.segments("printer-a") == [segments[-1]]


async def test_charges_that_no_fact_tells_apart_are_all_shown(store: Store) -> None:
    """A release that was started twice in the same instant; so often that a page ends among them."""
    equal = tuple(charge("printer-a", key(1), NOON_US) for _ in range(PAGE_ROWS + 9))
    later = charge("printer-a", key(2), NOON_US)
    await store.replace("printer-a", None, [RowSegment("printer-a", NOON_US, None, charges=(*equal, later))])
    assert [one async for one in store.charges(0, 2 * NOON_US)] == [*equal, later]
