"""What ports.store promises of facts that get another date or are void, of the store in memory and in SQLite alike."""

from __future__ import annotations

from dataclasses import replace

from pagereeve.domain.facts.facts import Fact, PlateauRead, Redated, ReleaseStarted
from pagereeve.domain.facts.reading import Plateau
from pagereeve.domain.facts.redating import NOT_AGREED, REACH_US, dated_us, in_force
from pagereeve.ports.store import Store
from pagereeve.store.memory.journal import MemoryJournal
from pagereeve.store.postgres.journal import PostgresJournal
from pagereeve.store.sqlite.journal import SqlJournal
from tests.journal_samples import NOON_US, SECOND_US, SERVER, badge, failed, origin, read, segment, started

MINUTE_US = 60 * SECOND_US
HOUR_US = 60 * MINUTE_US
PRINTER = "printer-a"


def moved(
    by_us: int | None, from_us: int = NOON_US, until_us: int = NOON_US + HOUR_US, *, printer: str = PRINTER
) -> Redated:
    return Redated(printer, NOON_US + 5 * HOUR_US, from_us, until_us, by_us, "warden", "the clock was wrong")


async def facts_of(store: Store, from_us: int | None = None) -> list[Fact]:
    return [stored.fact async for stored in store.facts(PRINTER, from_us)]


async def plateaus_of(store: Store) -> list[Plateau]:
    known = [one.plateau for one in await facts_of(store) if isinstance(one, PlateauRead)]
    return sorted(known, key=lambda one: one.first_sent_us)


async def test_what_our_clock_dated_is_moved_and_the_rest_stays(store: Store) -> None:
    for minute in (-1, 1, 59, 61):
        await store.observe(PRINTER, [read(minute + 100, at_us=NOON_US + minute * MINUTE_US)], failed(PRINTER))
    await store.redate([moved(2 * HOUR_US)])
    assert [(one.first_sent_us - NOON_US) // MINUTE_US for one in await plateaus_of(store)] == [-1, 61, 121, 179]
    since = [one for one in await facts_of(store, NOON_US + HOUR_US + 61 * SECOND_US) if isinstance(one, PlateauRead)]
    assert len(since) == 2
    run = await store.open_run(PRINTER)
    assert run is not None
    assert dated_us(run.fact) == NOON_US + 2 * HOUR_US
    await store.redate([moved(-HOUR_US, NOON_US + 2 * HOUR_US, NOON_US + 3 * HOUR_US)])
    assert [(one.first_sent_us - NOON_US) // MINUTE_US for one in await plateaus_of(store)] == [-1, 61, 61, 119]


async def test_an_event_counts_from_its_claim_again_once_its_arrival_is_rightly_dated(store: Store) -> None:
    """Received while our clock stood an hour back: the claim seemed to come from the future."""
    claimed_us = NOON_US + HOUR_US
    come = replace(origin("e1"), at_us=NOON_US, received_us=NOON_US, occurred_us=claimed_us, clock=NOT_AGREED)
    swiped = replace(origin("b1"), at_us=NOON_US, received_us=NOON_US, occurred_us=None, clock="missing")
    await store.append(replace(started("e1"), origin=come))
    await store.append(replace(badge("b1"), origin=swiped))
    assert await store.recent_delays(SERVER, 10) == []
    await store.redate([moved(HOUR_US + SECOND_US)])
    start, swipe, _ = await facts_of(store)
    assert isinstance(start, ReleaseStarted)
    dated = (start.origin.at_us, start.origin.received_us, start.origin.clock)
    assert dated == (claimed_us, claimed_us + SECOND_US, "")
    assert dated_us(swipe) == claimed_us + SECOND_US
    assert await store.release_facts(SERVER, start.release) == [start]
    assert await store.recent_delays(SERVER, 10) == [(claimed_us, claimed_us + SECOND_US)]
    assert [one async for one in store.badge_facts(NOON_US + 1)] == [start, swipe]
    # What was acknowledged is known again, whatever date it has now.
    assert (await store.append(replace(started("e1"), origin=come))).outcome == "duplicate"


async def test_what_a_meter_showed_can_be_void_and_what_somebody_sent_can_not(store: Store) -> None:
    before = read(5, at_us=NOON_US - SECOND_US)
    await store.observe(PRINTER, [before, read(7)], read(9, at_us=NOON_US + SECOND_US))
    await store.append(started("e1"))
    await store.redate([moved(None)])
    assert await plateaus_of(store) == [before.plateau]
    assert await store.open_run(PRINTER) is None
    assert isinstance(store, SqlJournal | MemoryJournal | PostgresJournal)
    assert await store.last_read(PRINTER) == before
    assert [type(one).__name__ for one in await facts_of(store)] == ["PlateauRead", "ReleaseStarted", "Redated"]
    assert [type(one).__name__ async for one in store.all_facts()] == ["PlateauRead", "ReleaseStarted", "Redated"]
    assert (await store.append(badge("b2"))).seq == 5


async def test_it_concerns_what_was_stored_before_it_and_no_other_timeline(store: Store) -> None:
    await store.observe("printer-b", [], read(1, "printer-b"))
    far = read(8, at_us=NOON_US + 2 * HOUR_US)
    await store.observe(PRINTER, [read(7)], far)
    await store.redate([moved(-HOUR_US)])
    await store.observe(PRINTER, [read(9)], far)
    assert [one.first_sent_us for one in await plateaus_of(store)] == [NOON_US - HOUR_US, NOON_US]
    other = await store.open_run("printer-b")
    assert other is not None
    assert dated_us(other.fact) == NOON_US


async def test_rows_that_rest_on_the_old_dates_are_dropped(store: Store) -> None:
    await store.observe(PRINTER, [read(7)], read(8, at_us=NOON_US + 2 * HOUR_US))
    days = REACH_US // MINUTE_US
    await store.replace(PRINTER, None, [segment(PRINTER, minute) for minute in (-days - 30, -days - 5, 0)])
    await store.redate([moved(HOUR_US)])
    assert [one.anchor_us for one in await store.segments(PRINTER)] == [segment(PRINTER, -days - 30).anchor_us]
    assert await store.queues() == {}
    assert len(await store.findings(only_open=False)) == 1


async def test_what_was_said_tells_what_counts(store: Store) -> None:
    """Dates that were moved twice, some of them void by now, and what was stored after all that."""
    assert isinstance(store, SqlJournal | MemoryJournal | PostgresJournal)
    seen = [read(nth, at_us=NOON_US + nth * MINUTE_US) for nth in range(6)]
    await store.observe(PRINTER, seen, failed(PRINTER))
    await store.append(replace(started("e1"), origin=replace(origin("e1"), clock="corrected")))
    await store.redate([moved(HOUR_US, NOON_US, NOON_US + 3 * MINUTE_US)])
    await store.redate([moved(-HOUR_US, NOON_US + HOUR_US, NOON_US + HOUR_US + MINUTE_US)])
    await store.redate([moved(None, NOON_US + 4 * MINUTE_US)])
    await store.observe(PRINTER, [read(9, at_us=NOON_US + 4 * MINUTE_US)], failed(PRINTER))
    said = [one async for one in store.said_facts(PRINTER)]
    assert [one.fact for one in said[:6]] == seen
    assert [one.seq for one in said] == list(range(1, len(said) + 1))
    assert [one async for one in store.said_facts(PRINTER, 6)] == said[6:]
    counts = await facts_of(store)
    assert in_force((one.seq, one.fact) for one in reversed(said)) == counts[::-1]
    assert len(counts) == len(said) - 2


async def test_several_timelines_are_moved_at_once(store: Store) -> None:
    await store.observe("printer-b", [], read(1, "printer-b"))
    await store.observe(PRINTER, [], read(8))
    await store.redate([moved(7, printer=name) for name in ("", PRINTER, "printer-b")])
    for printer in (PRINTER, "printer-b"):
        run = await store.open_run(printer)
        assert run is not None
        assert dated_us(run.fact) == NOON_US + 7
