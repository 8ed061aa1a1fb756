"""The accounts of a period: rows that add up to the meters, names for who may see them, files, losses."""

from __future__ import annotations

from urllib.parse import quote

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pagereeve.console.pages.period_tables import ROWS_MAX, account_tables
from pagereeve.domain.accounts.export_rows import summed_rows
from pagereeve.domain.accounts.printer_accounts import AccountsOfPeriod, PrinterAccounts
from pagereeve.domain.accounts.totals import Total
from pagereeve.domain.ledger import ACCOUNT_KINDS
from pagereeve.store.memory.journal import MemoryJournal
from tests.asking import ACCOUNTING, READER, asking
from tests.closed_month import HOSTILE, MONTH, close_december, december

PAGES = st.integers(0, 10_000)


@st.composite
def accounts(draw: st.DrawFn) -> list[PrinterAccounts]:
    lines = []
    for nth in range(draw(st.integers(1, 4))):
        line = PrinterAccounts(f"printer-{nth}", "total", draw(st.sampled_from(["impressions", "sheets"])))
        for kind in ACCOUNT_KINDS:
            line.received[kind] = -draw(PAGES) if kind in {"shortfall", "confirmed"} else draw(PAGES)
        line.meter_counted = sum(line.received.values())
        lines.append(line)
    return lines


@settings(max_examples=15, deadline=None)
@given(accounts(), st.integers(1, 3))
def test_shown_rows_and_those_left_out_add_up_to_the_meters(lines: list[PrinterAccounts], times: int) -> None:
    people = [
        Total(f"{line.printer}-{nth}", line.channel, line.unit, charged=line.people if nth == 0 else 0)
        for line in lines
        for nth in range(ROWS_MAX // 2 * times)
    ]
    rows = summed_rows("cost-centre", people, AccountsOfPeriod(tuple(lines), ()))
    for table in account_tables(MONTH, "cost-centre", rows):
        parts = (table.people, table.house, table.adjustments)
        pages = sum(row.pages for part in parts for row in part.rows) + sum(part.more_pages for part in parts)
        assert (pages, table.difference) == (table.meters, 0)
        assert len(table.people.rows) <= ROWS_MAX
        assert table.meters == sum(line.counted for line in lines if line.unit == table.unit)
        assert table.people.more == max(0, sum(one.unit == table.unit for one in people) - ROWS_MAX)


async def test_persons_are_for_who_may_see_names_and_never_markup() -> None:
    kept = await december()
    async with asking(kept, ACCOUNTING) as client:
        shown = await client.get(f"/accounts/{MONTH}?by=person")
    async with asking(kept, READER) as client:
        refused = await client.get(f"/accounts/{MONTH}?by=person")
        hidden = await client.get(f"/accounts/{MONTH}")
    assert (shown.status_code, refused.status_code, hidden.status_code) == (200, 403, 200)
    assert "&lt;script&gt;alert" in shown.text
    assert f'href="/accounts/{MONTH}/person/{quote(HOSTILE, safe="")}"' in shown.text
    assert f'href="/v1/exports/person?period={MONTH}&amp;format=csv"' in shown.text
    assert HOSTILE not in shown.text
    assert "alert(1)" not in refused.text + hidden.text
    assert "/v1/exports/person" not in hidden.text
    assert f'href="/v1/exports/printer?period={MONTH}&amp;format=xlsx"' in hidden.text
    assert "By person: " in hidden.text


@pytest.mark.parametrize("by", ["printer", "cost-centre"])
async def test_what_does_not_add_up_is_shown_with_its_printer(by: str) -> None:
    async with asking(await december(stray=2)) as client:
        text = (await client.get(f"/accounts/{MONTH}?by={by}")).text
    assert "No: what people and house accounts received is not what the meters counted" in text
    assert f'href="/accounts/{MONTH}/printer/hall"' in text
    assert "received beyond them" in text
    async with asking(await december()) as client:
        text = (await client.get(f"/accounts/{MONTH}?by={by}")).text
    assert ">Yes.<" in text
    assert "Where accounts and meters differ" not in text


async def test_a_closed_period_is_its_frozen_rows_and_says_so() -> None:
    kept = await december()
    await close_december(kept)
    await kept.replace("hall", None, [])
    async with asking(kept, ACCOUNTING) as client:
        closed = await client.get(f"/accounts/{MONTH}?by=printer")
        listed = (await client.get("/accounts")).text
    assert "These are its frozen rows" in closed.text
    assert "by bursar, despite: a jam" in closed.text
    assert "What stands in the way of closing it" not in closed.text
    assert ">3</td>" in closed.text
    assert listed.count("2025-12") >= 1
    async with asking(kept, READER) as client:
        assert "bursar" not in (await client.get(f"/accounts/{MONTH}")).text


async def test_an_empty_period_and_one_that_is_none() -> None:
    async with asking(MemoryJournal()) as client:
        empty = await client.get("/accounts/2025-W50")
        wrong = await client.get("/accounts/christmas")
        by = await client.get(f"/accounts/{MONTH}?by=colour")
        lost = await client.get(f"/accounts/{MONTH}/losses?by=cause")
    assert (empty.status_code, wrong.status_code, by.status_code, lost.status_code) == (200, 404, 400, 200)
    assert "No page belongs to it" in empty.text
    assert "/v1/exports" not in empty.text
    assert "Nothing: every page was charged to somebody" in lost.text


async def test_losses_say_what_would_help() -> None:
    async with asking(await december(stray=2)) as client:
        page = (await client.get(f"/accounts/{MONTH}/losses?by=cause")).text
        by_printer = (await client.get(f"/accounts/{MONTH}/losses")).text
        assert 'hx-select="#losses"' in (await client.get(f"/accounts/{MONTH}")).text
    assert "2 counted without a release" in page
    assert "2 pages at <a" in page
    assert "not explained yet" in page
    assert f'href="/accounts/{MONTH}/printer/hall"' in by_printer
