"""What is installed and what it lacks, from settings and journal alone; and how a printer is added."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from pagereeve.console.api.site import AskedGateway, AskedPrinter, AskedSite
from pagereeve.console.pages import installation as installation_page
from pagereeve.domain.facts.facts import PlateauRead, PrinterNoted
from pagereeve.domain.facts.in_force import PROVEN
from pagereeve.domain.facts.reading import Unit, UnitGrade
from pagereeve.store.memory.journal import MemoryJournal
from tests.asking import asking
from tests.journal_samples import NOON_US, SECOND_US, failed, origin, read, started

HOSTILE = "<script>alert(1)</script>"


def printer(name: str, gateway: str | None = None) -> AskedPrinter:
    return AskedPrinter(name=name, gateway=gateway, host="127.0.0.1", port=161, site=HOSTILE)


SITE = AskedSite(
    printers=(printer("hall", "north"), printer("yard", "north"), printer("attic")),
    gateways=(AskedGateway(name="north", host="192.0.2.1", checked=True), AskedGateway(name="south")),
)


def with_unit(name: str, grade: UnitGrade) -> PlateauRead:
    fact = read(100, name, at_us=NOON_US - SECOND_US)
    sight = fact.plateau.sight
    [(channel, count)] = sight.counts
    sight = replace(sight, counts=((channel, replace(count, unit=Unit.SHEETS, grade=grade)),))
    return replace(fact, plateau=replace(fact.plateau, sight=sight))


async def journal() -> MemoryJournal:
    kept = MemoryJournal()
    await kept.observe("hall", [], with_unit("hall", UnitGrade.SAID))
    await kept.append(PrinterNoted("hall", origin("note-1", NOON_US - 5 * SECOND_US), PROVEN))
    await kept.observe("yard", [], with_unit("yard", UnitGrade.ASSUMED))
    await kept.observe("attic", [], failed("attic", at_us=NOON_US - 9 * SECOND_US))
    await kept.append(started("one", "stranger", at_us=NOON_US - 9 * SECOND_US))
    return kept


def row_of(text: str, name: str) -> str:
    [row] = re.findall(rf"<tr><th[^>]*><a href=\"/printers/{name}\">.*?</tr>", text)
    return str(row)


async def test_each_printer_says_what_it_lacks_and_what_it_rests_on() -> None:
    async with asking(await journal(), site=SITE) as client:
        lacking = (await client.get("/installation")).text
        everything = (await client.get("/installation?show=all")).text
    async with asking(await journal(), site=SITE, now_us=NOON_US + 2 * 86_400 * SECOND_US) as client:
        later = (await client.get("/installation")).text
    assert "no reading for more than a day" in row_of(later, "hall")
    assert "1 of 3 printers are ready." in lacking
    assert 'href="/printers/hall"' not in lacking
    assert "nothing: ready" in row_of(everything, "hall")
    assert "sheets, said by the agent" in row_of(everything, "hall")
    assert "2026-01-01" in row_of(everything, "hall")
    assert "its unit is assumed; never proven" in row_of(lacking, "yard")
    assert "no answer; no reading ever came; never proven" in row_of(lacking, "attic")
    assert HOSTILE not in everything
    cells = (("Address", "192.0.2.1"), ("Printers", "2"), ("Ready", "1"))
    row = "".join(rf'<td[^>]* data-label="{label}">{told}</td>' for label, told in cells)
    assert re.search(f">north</th>{row}", everything)
    # Of hall, its last proof; yard was never proven, and its unit is assumed.
    [north] = re.findall(r"<tr><th[^>]*>north</th>.*?</tr>", everything)
    assert re.search(r">2026-01-01</time></td><td[^>]*>1</td><td[^>]*>1</td>", north)


async def test_what_the_doctor_would_say_of_printers_stands_there_with_what_to_do() -> None:
    async with asking(await journal(), site=SITE) as client:
        text = (await client.get("/installation")).text
    assert "One printer has never sent a reading: attic" in text
    assert "runs on an assumed unit" in text
    assert "pagereeve prove NAME shows, stage by stage" in text


async def test_a_name_that_no_entry_has_is_told() -> None:
    async with asking(await journal(), site=SITE) as client:
        text = (await client.get("/installation")).text
    assert "1 name is in facts, and in no entry of the settings" in text
    assert 'href="/printers/stranger"' in text


async def test_many_printers_are_paged_and_none_is_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(installation_page, "ROWS_MAX", 4)
    names = [f"p-{nth}" for nth in range(10)]
    seen: list[str] = []
    async with asking(MemoryJournal(), site=AskedSite(printers=tuple(map(printer, names)))) as client:
        path: str | None = "/installation"
        while path is not None:
            text = (await client.get(path.replace("&amp;", "&"))).text
            seen += re.findall(r'<tr><th[^>]*><a href="/printers/([^"]+)"', text)
            more = re.search(r'href="([^"#]+)#q-printers">More', text)
            path = None if more is None else more[1]
        assert (await client.get("/installation?after=x")).status_code == 400
        assert (await client.get("/installation?show=some")).status_code == 400
    assert seen == names


async def test_an_empty_site_says_how_to_begin() -> None:
    async with asking(MemoryJournal()) as client:
        text = (await client.get("/installation")).text
    assert "No printer is in the settings yet." in text
    assert "pagereeve printers import branches.csv --dry-run" in text
    assert "What does each printer lack?" not in text
