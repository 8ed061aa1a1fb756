"""Accounts by period: sums that meet the meters, who closed what, and what stands in the way of closing."""

from __future__ import annotations

from datetime import date

from pagereeve.console.api.site import AskedSite
from pagereeve.domain.accounts.periods import zone_of
from pagereeve.queries.account_periods import SHOWN_MAX, account_periods, sums_in
from pagereeve.settings.site import PeriodSettings
from pagereeve.store.memory.journal import MemoryJournal
from tests.asking import ACCOUNTING, READER, asking
from tests.closed_month import AT_US, HOSTILE, MONTH, close_december, december, month
from tests.journal_samples import NOON_US, SECOND_US, read

UTC = zone_of("UTC")
MONTHS_LATER = 36 * 30 * 86_400 * SECOND_US


async def test_a_month_is_its_people_and_house_and_they_are_what_the_meters_counted() -> None:
    kept = await december()
    known = await account_periods(kept, UTC, (), NOON_US)
    line = await sums_in(kept, month())
    assert [(one.unit, one.counted, one.people, one.house, one.difference) for one in line.sums] == [
        ("impressions", 3, 3, 0, 0)
    ]
    assert ([one.period.name for one in known.months], line.differing, known.older) == ([MONTH], (), "")
    assert known.last_whole is not None
    assert (known.last_whole.period.name, known.last_whole.closed) == (MONTH, None)


async def test_a_month_that_does_not_add_up_is_told_with_its_printers() -> None:
    kept = await december(stray=2)
    line = await sums_in(kept, month())
    assert (line.differing, [one.difference for one in line.sums]) == (("hall",), [-2])
    async with asking(kept) as client:
        text = (await client.get(f"/accounts/{MONTH}/sums")).text
        listed = (await client.get("/accounts")).text
    assert "no: 1 printer differs" in text
    assert f'hx-get="/accounts/{MONTH}/sums"' in listed


async def test_a_closed_period_is_added_up_from_its_frozen_rows_whatever_the_settings_say_by_now() -> None:
    kept = await december()
    await close_december(kept, name="autumn")
    await kept.replace("hall", None, [])
    async with asking(kept) as client:
        listed = (await client.get("/accounts")).text
        text = (await client.get("/accounts/autumn/sums")).text
        whole = await client.get("/accounts/autumn")
    assert 'href="/accounts/autumn"' in listed
    for label, pages in (("Counted", 3), ("People", 3), ("House", 0)):
        assert f'<td class="number" data-label="{label}">{pages}</td>' in text
    assert whole.status_code == 200
    assert "These are its frozen rows" in whole.text


async def test_many_months_are_paged_and_none_is_left_out() -> None:
    kept = await december()
    now_us = AT_US + MONTHS_LATER
    await kept.append(read(104, at_us=now_us))
    names: list[str] = []
    before: str | None = None
    while True:
        known = await account_periods(kept, UTC, (), now_us, before)
        names += [one.period.name for one in known.months]
        assert len(known.months) <= SHOWN_MAX
        if not known.older:
            break
        before = known.older
    assert names == sorted(set(names), reverse=True)
    assert (names[-1], len(names)) == (MONTH, 37)


async def test_who_closed_it_is_shown_to_who_may_see_names_and_is_never_markup() -> None:
    kept = await december()
    await close_december(kept, by=HOSTILE)
    async with asking(kept, ACCOUNTING) as client:
        shown = (await client.get("/accounts")).text
    async with asking(kept, READER) as client:
        hidden = (await client.get("/accounts")).text
        closing = (await client.get(f"/accounts/{MONTH}/closing")).text
    assert "by &lt;script&gt;alert" in shown
    assert "despite: a jam" in shown
    assert HOSTILE not in shown + hidden
    assert "alert(1)" not in hidden
    assert "a jam" not in hidden
    assert "It is closed, since" in hidden
    assert "and stays as it is" in closing


async def test_what_stands_in_the_way_is_told_with_links_to_it() -> None:
    async with asking(await december()) as client:
        page = await client.get(f"/accounts/{MONTH}/closing")
        assert 'hx-select="#closing"' in (await client.get("/accounts")).text
        assert (await client.get("/accounts/no-period/closing")).status_code == 404
        assert (await client.get("/accounts?before=christmas")).status_code == 400
        early = (await client.get("/accounts/2026-01/closing")).text
    assert page.status_code == 200
    assert "2 things stand in the way" in page.text
    assert 'href="/findings/finding-hall-3"' in page.text
    assert 'href="/printers/hall"' in page.text
    assert 'pagereeve close 2025-12 --despite "REASON"' in page.text
    assert "No: it ends at" in early


async def test_the_sites_own_periods_stand_beside_months() -> None:
    term = PeriodSettings.model_validate({"name": "winter", "from": date(2025, 12, 1), "to": date(2026, 2, 1)})
    coming = PeriodSettings.model_validate({"name": "coming", "from": date(2026, 6, 1), "to": date(2026, 7, 1)})
    async with asking(await december(), site=AskedSite(periods=(term, coming))) as client:
        text = (await client.get("/accounts")).text
    assert 'href="/accounts/winter">winter<' in text
    assert "coming" not in text


async def test_an_empty_journal_says_what_would_stand_there() -> None:
    async with asking(MemoryJournal()) as client:
        text = (await client.get("/accounts")).text
    assert "No page belongs to any period yet" in text
    assert 'href="/installation"' in text
    assert "be closed?" not in text
