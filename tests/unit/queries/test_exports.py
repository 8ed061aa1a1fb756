"""Exports by day: what is not known of a day has no row, and the days are the month."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from pagereeve.domain.accounts.export_rows import ExportBy, ExportRow
from pagereeve.domain.accounts.periods import between, period_of
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.ledger import Charge, Grade, Posting, ReleaseKey, RowSegment, Stretch, Verdict
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.instants import from_text
from pagereeve.queries.exports import export_of
from pagereeve.store.memory.journal import MemoryJournal

BERLIN = ZoneInfo("Europe/Berlin")


def gap(opens: str, closes: str, before: int, after: int) -> RowSegment:
    opens_us, closes_us = from_text(opens), from_text(closes)
    counted = after - before
    stretch = Stretch("library", 1, "total", Unit.IMPRESSIONS, opens_us, closes_us, before, after, counted)
    legs = (("meter:library", -counted), ("house:stray", counted))
    return RowSegment(
        "library", opens_us, None, (stretch,), (), (Posting("library", 1, "total", opens_us, closes_us, legs),)
    )


def bracket(started: str, closes: str, before: int, pages: int) -> RowSegment:
    """A release of so many pages, all counted."""
    started_us, closes_us = from_text(started), from_text(closes)
    key = ReleaseKey("/server", f"r-{started}")
    stretch = Stretch(
        "library", 1, "total", Unit.IMPRESSIONS, started_us, closes_us, before, before + pages, pages, (key,),
        Grade.TIGHT, Verdict.AGREES,
    )  # fmt: skip
    charge = Charge(
        "library", key, "anise", "job", "total", Unit.IMPRESSIONS, started_us, closes_us, closes_us, pages, pages,
        pages, 0, None, Grade.TIGHT, Verdict.AGREES,
    )  # fmt: skip
    legs = (("meter:library", -pages), ("person:anise", pages))
    posting = Posting("library", 1, "total", started_us, closes_us, legs)
    return RowSegment("library", started_us, None, (stretch,), (charge,), (posting,))


async def rows_of(name: str, by: ExportBy, *segments: RowSegment) -> list[ExportRow]:
    journal = MemoryJournal()
    await journal.replace("library", None, list(segments))
    async with journal.snapshot() as held:
        export = await export_of(held, period_of(name, BERLIN), by)
        rows = [row async for row in export.rows]
        assert export.adding.differences == {}
        return rows


async def test_a_day_without_a_reading_has_no_row_and_the_two_days_have_their_sum() -> None:
    # fusioninventory/fusioninventory-for-glpi#1858: 100, -, 130: day 2 is unknown, 30 over two days.
    rows = await rows_of("2026-11", "day", gap("2026-11-10T11:00:00Z", "2026-11-12T11:00:00Z", 100, 130))
    assert [(row.kind, row.who, row.pages) for row in rows] == [("house", "2026-11-12", 30), ("total", "", 30)]


async def test_the_first_day_of_a_range_takes_nothing_of_the_month_before() -> None:
    # fusioninventory/fusioninventory-for-glpi#2121: March 1118, then 128 in April: April is 128, not 1246.
    march = bracket("2026-03-20T09:00:00Z", "2026-03-20T09:01:00Z", 0, 1118)
    april = bracket("2026-04-02T09:00:00Z", "2026-04-02T09:01:00Z", 1118, 128)
    for name, pages in (("2026-03", 1118), ("2026-04", 128), ("2026", 1246)):
        for by in ("person", "printer", "release"):
            rows = await rows_of(name, by, march, april)
            assert [row.pages for row in rows if row.kind == "total"] == [pages]
    days = await rows_of("2026-04", "day", march, april)
    assert [(row.kind, row.who, row.pages) for row in days] == [("people", "2026-04-02", 128), ("total", "", 128)]


async def test_a_release_over_midnight_is_of_the_day_on_which_it_started() -> None:
    over = bracket("2026-03-31T21:59:00Z", "2026-03-31T22:01:00Z", 0, 7)
    for name, shown in (("2026-03", [("people", "2026-03-31", 7), ("total", "", 7)]), ("2026-04", [])):
        rows = await rows_of(name, "day", over)
        assert [(row.kind, row.who, row.pages) for row in rows if row.pages] == shown


async def test_days_of_all_time_are_refused() -> None:
    journal = MemoryJournal()
    async with journal.snapshot() as held:
        with pytest.raises(BadQuestion, match="no list of days"):
            await export_of(held, between(None, None, BERLIN), "day")
