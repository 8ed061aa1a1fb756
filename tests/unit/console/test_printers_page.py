"""The page of printers: by gateway, found by name and by what is wrong, paged without losing one."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from pagereeve.console.api.site import AskedGateway, AskedPrinter, AskedSite
from pagereeve.console.pages.printers import ROWS_MAX
from pagereeve.domain.ledger import Evidence, EvidenceKind, Finding, RowSegment
from pagereeve.store.memory.journal import MemoryJournal
from tests.asking import asking
from tests.findings import said
from tests.journal_samples import NOON_US, SECOND_US, failed, finding, read

HOSTILE = "<b>'\"/?&#é"
SITE = AskedSite(
    printers=(
        AskedPrinter(name="hall", gateway="east", host="192.0.2.1", port=161, site="Entrance"),
        AskedPrinter(name="attic", gateway="east", host="192.0.2.1", port=162),
        AskedPrinter(name="cellar", gateway="west", host="192.0.2.2", port=163),
        AskedPrinter(name=HOSTILE, host="192.0.2.9", port=161),
    ),
    gateways=(AskedGateway(name="east", checked=True), AskedGateway(name="west")),
)


@pytest.fixture
async def journal() -> MemoryJournal:
    """The hall answers, the attic is silent, the cellar was never read; nobody registered the yard."""
    held = MemoryJournal()
    await held.observe("hall", [], read(41_239, "hall"))
    await held.observe("attic", [read(5, "attic")], failed("attic", at_us=NOON_US + 60 * SECOND_US))
    await held.observe("yard", [], read(7, "yard"))
    silent = replace(finding("attic", 1), kind="meter-silent", what=said("silent"))
    await held.replace("attic", None, [RowSegment("attic", 1, None, findings=(silent,))])
    down = Evidence(EvidenceKind.GATEWAY_DOWN, (("gateway", "east"),))
    of_gateway = Finding("f-2", "gateway-down", "warning", "", NOON_US, None, "open", down)
    await held.replace("", None, [RowSegment("", 1, None, findings=(of_gateway,))])
    return held


def names(text: str) -> list[str]:
    return re.findall(r'<th scope="row"><a href="/printers/([^"]*)"', text)


async def test_each_printer_stands_behind_its_gateway_with_what_is_known_of_its_meter(journal: MemoryJournal) -> None:
    async with asking(journal, site=SITE) as client:
        text = (await client.get("/printers")).text
    hostile = "%3Cb%3E%27%22%2F%3F%26%23%C3%A9"
    assert names(text) == ["attic", "hall", "cellar", hostile, "yard"]
    assert re.findall(r"<h2 id=\"g-\d\">([^<]*)<", text) == ["east", "west", "Behind no gateway"]
    assert "2 of 5 printers answer; 1 is silent; 2 were never read." in text
    assert '1 of 2 printers answers; <span class="bad">the gateway itself is down</span>' in text
    assert "Its one printer was never read; the gateway itself is not checked." in text
    assert "41\u202f239" in text
    assert text.count("not in the settings") == 1
    assert '<a href="/findings?printer=attic">1</a>' in text
    assert HOSTILE not in text


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ("q=ALL", ["hall"]),
        ("q=east", ["attic", "hall"]),
        ("q=entrance", ["hall"]),
        ("show=silent", ["attic"]),
        ("show=findings", ["attic"]),
        ("show=never-read&q=c", ["cellar"]),
        ("q=nowhere", []),
    ],
)
async def test_printers_are_found(journal: MemoryJournal, asked: str, found: list[str]) -> None:
    async with asking(journal, site=SITE) as client:
        text = (await client.get(f"/printers?{asked}")).text
    assert names(text) == found
    assert ("No printer matches." in text) == (not found)


async def test_pages_hold_each_printer_once() -> None:
    printers = [
        AskedPrinter(name=f"p-{number:03}", gateway=("a", "b", None)[number % 3], host="192.0.2.1", port=161)
        for number in range(ROWS_MAX * 2 + 1)
    ]
    found: list[list[str]] = []
    async with asking(MemoryJournal(), site=AskedSite(printers=tuple(printers))) as client:
        url: str | None = "/printers?show=never-read"
        while url:
            text = (await client.get(url)).text
            found.append(names(text))
            link = re.search(r'<a href="([^"]*)" rel="next"', text)
            url = None if link is None else link[1].replace("&amp;", "&")
        assert [len(one) for one in found] == [ROWS_MAX, ROWS_MAX, 1]
        assert sorted(name for one in found for name in one) == [one.name for one in printers]
        assert (await client.get("/printers?after=nonsense")).status_code == 400
        assert (await client.get("/printers?show=some")).status_code == 400


async def test_an_empty_page_says_what_fills_it() -> None:
    async with asking(MemoryJournal()) as client:
        text = (await client.get("/printers")).text
    assert "There is no printer yet." in text
    assert "pagereeve read" in text
