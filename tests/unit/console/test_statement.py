"""A statement as a page: nobody is named but the person it is of, and every release leads to its evidence."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from urllib.parse import quote

import pytest

from pagereeve.console.api.site import AskedSite
from pagereeve.console.pages import statement as statement_page
from pagereeve.domain.ledger import Grade, ReleaseKey, RowSegment, Verdict
from pagereeve.queries.statement_lines import Caution
from pagereeve.reports.statements.words import CAUTIONS, GRADES
from pagereeve.settings.rates import RateSettings
from pagereeve.store.memory.journal import MemoryJournal
from tests.asking import ACCOUNTING, READER, asking
from tests.closed_month import AT_US, HOSTILE, MONTH, close_december, december
from tests.journal_samples import SECOND_US, charge, key, read

SLASHED = ReleaseKey("urn:example:server?1", "a/b c&d")


async def many(releases: int) -> MemoryJournal:
    kept = await december(owner="anise")
    await kept.append(read(100, "yard", at_us=AT_US))
    charges = tuple(
        replace(charge("yard", key(nth), AT_US + nth * SECOND_US), owner="basil") for nth in range(releases)
    )
    await kept.replace("yard", None, [RowSegment("yard", AT_US, None, charges=charges)])
    return kept


async def test_a_persons_statement_is_for_who_may_see_names_and_never_markup() -> None:
    kept, path = await december(), f"/accounts/{MONTH}/person/{quote(HOSTILE, safe='')}"
    async with asking(kept, ACCOUNTING) as client:
        shown = await client.get(path)
    async with asking(kept, READER) as client:
        refused = await client.get(path)
    assert (shown.status_code, refused.status_code) == (200, 403)
    assert "1 release: 3 impressions charged (total)." in shown.text
    assert "&lt;script&gt;alert" in shown.text
    assert HOSTILE not in shown.text
    assert CAUTIONS[Caution.COUNT_IS_OF_A_PRINTER] in shown.text
    assert "alert(1)" not in refused.text


async def test_a_printers_statement_names_people_to_who_may_see_names_alone() -> None:
    kept = await december()
    async with asking(kept, ACCOUNTING) as client:
        shown = (await client.get(f"/accounts/{MONTH}/printer/hall")).text
    async with asking(kept, READER) as client:
        hidden = (await client.get(f"/accounts/{MONTH}/printer/hall")).text
    assert "alert(1)" in shown
    assert "alert(1)" not in hidden
    assert '<span class="hidden-name">hidden</span>' in hidden
    assert "Yes: people and house accounts received what the meter counted." in hidden
    assert f"{Grade.SHARED}: {GRADES[Grade.SHARED]}" in hidden


async def test_a_release_leads_to_its_page_whatever_its_name_holds() -> None:
    kept = await december()
    odd = replace(charge("hall", SLASHED, AT_US), verdict=Verdict.UNPROVEN, counted=None, charged=0, unproven=3)
    await kept.replace("hall", None, [RowSegment("hall", AT_US, None, charges=(odd,))])
    async with asking(kept) as client:
        text = (await client.get(f"/accounts/{MONTH}/printer/hall")).text
    assert 'href="/releases/a%2Fb%20c%26d?source=urn%3Aexample%3Aserver%3F1"' in text
    assert CAUTIONS[Caution.UNPROVEN] in text
    assert "not proven" in text


async def test_many_releases_are_paged_and_each_is_shown_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(statement_page, "RELEASES_SHOWN", 3)
    seen: list[str] = []
    async with asking(await many(8)) as client:
        path: str | None = f"/accounts/{MONTH}/printer/yard"
        while path is not None:
            text = (await client.get(path.replace("&amp;", "&"))).text
            seen += re.findall(r'href="/releases/(release-\d+)\?', text)
            later = re.search(r'href="([^"#]+)#q-releases">Later', text)
            path = None if later is None else later[1]
        assert (await client.get(f"/accounts/{MONTH}/printer/yard?after=-1")).status_code == 400
    assert seen == [f"release-{nth}" for nth in range(8)]


async def test_costs_are_shown_where_the_site_has_prices() -> None:
    card = {"name": "first", "currency": "EUR", "from": date(2025, 1, 1), "prices": [{"price": "0.05"}]}
    site = AskedSite(rates=(RateSettings.model_validate(card),))
    async with asking(await december(), site=site) as client:
        priced = (await client.get(f"/accounts/{MONTH}/printer/hall")).text
    async with asking(await december()) as client:
        bare = (await client.get(f"/accounts/{MONTH}/printer/hall")).text
    assert "It costs <b>0.15 EUR</b>." in priced
    assert "It costs" not in bare


async def test_a_closed_periods_statement_says_so_and_names_nobody() -> None:
    kept = await december(owner="anise")
    await close_december(kept)
    async with asking(kept, READER) as client:
        text = (await client.get(f"/accounts/{MONTH}/printer/hall")).text
    assert "these are its frozen rows" in text
    assert "1 release: 3 impressions charged (total)." in text
    assert "bursar" not in text


async def test_an_empty_statement_says_why_and_a_strange_printer_is_none() -> None:
    async with asking(await december(), ACCOUNTING) as client:
        person = await client.get(f"/accounts/{MONTH}/person/nobody")
        centre = await client.get(f"/accounts/{MONTH}/cost-centre/")
        printer = await client.get(f"/accounts/{MONTH}/printer/hal")
        kind = await client.get(f"/accounts/{MONTH}/colour/hall")
        always = await client.get("/accounts/1970/cost-centre/arts")
    assert [one.status_code for one in (person, centre, printer, kind, always)] == [200, 200, 404, 400, 400]
    assert "Why is it empty?" in person.text
    assert "What was released for <bdi>no cost centre</bdi>" in centre.text
    assert "is known to the journal" in printer.text
