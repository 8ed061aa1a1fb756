"""The first page: a strip whose parts add up, work by pages, names for those who may see them."""

from __future__ import annotations

import hashlib
import re
from dataclasses import replace
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pagereeve.console import pages as console_pages
from pagereeve.console.api.site import AskedGateway, AskedPrinter, AskedSite
from pagereeve.console.pages.shell import figure, static_address, static_files, visible_text
from pagereeve.console.pictures.strip import WIDTH, strip_parts
from pagereeve.domain.accounts.periods import period_of
from pagereeve.domain.accounts.printer_accounts import PrinterAccounts
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.ledger import ACCOUNT_KINDS, RowSegment
from pagereeve.queries.now import now_of, strips_of
from pagereeve.store.memory.journal import MemoryJournal
from tests.asking import ACCOUNTING, READER, asking
from tests.journal_samples import NOON_US, SECOND_US, charge, failed, finding, key, read

HOSTILE: Final = "<script>alert(1)</script>"
PAGES = st.integers(0, 10_000)


@st.composite
def lines(draw: st.DrawFn) -> PrinterAccounts:
    """Of one printer; what it counted is what was received."""
    line = PrinterAccounts(draw(st.sampled_from(["a", "b"])), "total", draw(st.sampled_from(["impressions", "sheets"])))
    for kind in ACCOUNT_KINDS:
        line.received[kind] = -draw(PAGES) if kind in {"shortfall", "confirmed"} else draw(PAGES)
    line.meter_counted = sum(line.received.values())
    line.releases_waiting = draw(st.integers(0, 2))
    line.pages_waiting = draw(st.none() | PAGES)
    return line


@given(st.lists(lines(), max_size=5), PAGES)
def test_the_parts_of_a_strip_are_what_the_meters_counted(given_lines: list[PrinterAccounts], unexplained: int) -> None:
    strips = strips_of(given_lines, unexplained)
    assert {one.unit for one in strips} == {one.unit for one in given_lines}
    assert sum(one.counted for one in strips) == sum(one.counted for one in given_lines)
    for one in strips:
        assert one.unbalanced == 0
        assert one.counted + one.missing == one.people + one.known + one.waits
        assert min(one.people, one.known, one.waits, one.missing) >= 0
        parts = strip_parts(one)
        assert [part.pages for part in parts] == [
            pages for pages in (one.people, one.known, one.waits, one.missing) if pages
        ]
        assert all(part.width > 0 for part in parts)
        if parts:
            assert parts[-1].x + parts[-1].width in range(WIDTH - 3, WIDTH + 1)
    # No more waits than findings are open for, and than accounts hold.
    asked = sum(line.received[kind] for line in given_lines for kind in ("stray", "surplus", "unattributed"))
    assert sum(one.waits for one in strips) == min(asked, unexplained)


def test_what_does_not_add_up_is_shown_and_not_hidden() -> None:
    line = PrinterAccounts("a", "total", "impressions", meter_counted=7)
    line.received["people"] = 5
    [strip] = strips_of([line], 0)
    assert (strip.unbalanced, [part.name for part in strip_parts(strip)]) == (2, ["people", "unbalanced"])


async def journal() -> MemoryJournal:
    kept = MemoryJournal()
    own = replace(charge("hall", key(1), NOON_US - 60 * SECOND_US), owner=HOSTILE, verdict=None)
    await kept.replace(
        "hall", None, [RowSegment("hall", NOON_US, None, charges=(own,), findings=(finding("hall", 3),))]
    )
    return kept


async def test_a_site_without_printers_is_told_where_to_begin() -> None:
    hall = AskedSite(printers=(AskedPrinter(name="hall", host="192.0.2.1", port=161),))
    for site, told in ((AskedSite(), True), (hall, False)):
        async with asking(MemoryJournal(), site=site) as client:
            assert ("No printer is in the settings" in (await client.get("/now")).text) == told


@pytest.mark.parametrize("path", ["/now", "/now/figures"])
async def test_names_are_shown_to_who_may_see_them_and_are_never_markup(path: str) -> None:
    kept = await journal()
    async with asking(kept, ACCOUNTING) as client:
        shown = await client.get(path)
    async with asking(kept, READER) as client:
        hidden = await client.get(path)
    assert (shown.status_code, hidden.status_code) == (200, 200)
    assert "&lt;script&gt;alert" in shown.text
    assert HOSTILE not in shown.text + hidden.text
    assert "alert(1)" not in hidden.text
    assert "hidden" in hidden.text


@pytest.mark.parametrize(
    ("unit", "told"), [(Unit.SHEETS, "sheets"), (Unit.IMPRESSIONS, "impressions"), (None, "sheets or sides")]
)
async def test_a_figure_of_an_open_release_has_its_meters_unit(unit: Unit | None, told: str) -> None:
    kept = MemoryJournal()
    own = replace(charge("hall", key(1), NOON_US - 60 * SECOND_US), released=1_200, unit=unit, verdict=None)
    await kept.replace("hall", None, [RowSegment("hall", NOON_US, None, charges=(own,))])
    async with asking(kept) as client:
        text = (await client.get("/now")).text
    [cell] = re.findall(r'<td class="number" data-label="Released">(.*?)</td>', text)
    assert cell == f'1\u202f200 <span class="unit">{told}</span>'


async def test_what_a_keyboard_can_reach_is_known_again_when_it_is_renewed() -> None:
    kept = await journal()
    await kept.observe("a b", [], failed("a b"))
    site = AskedSite(
        gateways=(AskedGateway(name="east"),),
        printers=(AskedPrinter(name="a b", host="192.0.2.1", port=161, gateway="east"),),
    )
    async with asking(kept, site=site) as client:
        text = (await client.get("/now/figures")).text
    links = re.findall("<a [^>]*>", text)
    ids = [one for link in links for one in re.findall(r' id="([^"\s]+)"', link)]
    assert len(links) == len(ids) == len(set(ids)) >= 4


async def test_how_grave_a_finding_is_is_said_and_not_coloured_alone() -> None:
    async with asking(await journal()) as client:
        text = (await client.get("/now")).text
    grave = re.findall(r'<li class="(critical|warning|info)">', text)
    assert grave
    assert re.findall(r'<p class="first">(critical|warning|info)\. First: ', text) == grave


async def test_a_time_of_another_day_has_its_day() -> None:
    """A gateway whose printers went silent days ago looks as if it had been heard of a while ago."""
    site = AskedSite(
        gateways=(AskedGateway(name="east"),),
        printers=(AskedPrinter(name="hall", gateway="east", host="127.0.0.1", port=161),),
    )
    kept = MemoryJournal()
    await kept.observe("hall", [], read(100, "hall"))
    for days, dated in ((0, False), (2, True)):
        async with asking(kept, site=site, now_us=NOON_US + days * 86_400 * SECOND_US) as client:
            text = (await client.get("/now")).text
        [told] = re.findall(r'<td data-label="Last reading"><time datetime="[^"]*">([^<]*)</time>', text)
        assert re.fullmatch(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d" if dated else r"\d\d:\d\d:\d\d", told), told


async def test_every_page_is_safe_to_show_and_asks_nobody_else() -> None:
    async with asking(await journal()) as client:
        for path in ("/now", "/nothing"):
            answer = await client.get(path)
            policy = answer.headers["content-security-policy"]
            assert "default-src 'none'" in policy
            assert "unsafe" not in policy
            assert not re.search(r"(src|href)=\"(https?:)?//", answer.text)
            assert " style=" not in answer.text
            assert " on" not in "".join(re.findall(r"<[a-z]+ [^>]*>", answer.text)).replace(" data-on", "")
        assert (answer.status_code, "text/html" in answer.headers["content-type"]) == (404, True)
        assert (await client.get("/v1/nothing")).headers["content-type"] == "application/problem+json"


async def test_static_files_are_kept_by_their_digest() -> None:
    async with asking(MemoryJournal()) as client:
        for name, content in static_files().items():
            answer = await client.get(static_address(name))
            assert (answer.status_code, answer.content) == (200, content)
            assert "immutable" in answer.headers["cache-control"]
        assert (await client.get("/static/../shell.py")).status_code == 404


def test_the_library_is_the_one_that_was_published() -> None:
    folder = Path(*console_pages.__path__, "static")
    told = re.search(r"SHA-256 of `htmx.min.js`: `([0-9a-f]{64})`", (folder / "README.md").read_text())
    assert told is not None
    assert hashlib.sha256((folder / "htmx.min.js").read_bytes()).hexdigest() == told[1]


@pytest.mark.parametrize(
    ("pages", "shown"), [(0, "0"), (1234567, "1\u202f234\u202f567"), (-4000, "\u22124\u202f000"), (None, "?")]
)
def test_figures_stand_in_groups_of_three(pages: int | None, shown: str) -> None:
    assert figure(pages) == shown


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        (f"total {figure(41_212)}", "total 41\u202f212"),
        (f"between {figure(-4_000)} and {figure(1_234_567)}", "between \u22124\u202f000 and 1\u202f234\u202f567"),
        ("a\u202fname", r"a\u202fname"),
        ("12\u202f34", r"12\u202f34"),
        ("\u202e1\u202f000", r"\u202e1" + "\u202f000"),
        ("", ""),
    ],
)
def test_a_figure_in_a_sentence_keeps_its_groups_and_nothing_else_is_hidden(text: str, shown: str) -> None:
    assert visible_text(text) == shown


async def test_one_printer_or_the_whole_gateway_is_seen_at_a_glance() -> None:
    kept = MemoryJournal()
    for name in ("a", "b", "c"):
        await kept.observe(name, [], failed(name) if name != "c" else read(1, name))
    site = AskedSite(
        gateways=(AskedGateway(name="east"), AskedGateway(name="west"), AskedGateway(name="empty")),
        printers=tuple(
            AskedPrinter(name=name, host="192.0.2.1", port=161, gateway=gateway)
            for name, gateway in (("a", "east"), ("b", "east"), ("c", "west"), ("d", "west"))
        ),
    )
    answer = await now_of(kept, period_of("2026-01-05", ZoneInfo("UTC")), site.behind)
    lanes = {one.gateway: one for one in answer.lanes}
    assert [one.gateway for one in answer.lanes] == ["east", "empty", "west"]
    assert (lanes["east"].is_whole, lanes["east"].silent) == (True, ("a", "b"))
    assert (lanes["west"].is_whole, lanes["west"].silent, lanes["west"].never_read) == (False, (), 1)
    assert (lanes["empty"].is_whole, lanes["empty"].printers) == (False, 0)
    async with asking(kept, READER, site) as client:
        page = (await client.get("/now")).text
    assert "all 2 are silent: look at the gateway first" in page
    assert "1 answers" in page
    assert "1 was never read" in page
