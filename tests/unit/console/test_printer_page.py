"""A printer's life on one axis: what is drawn is what the facts say, bounded, and told without anybody's name."""

from __future__ import annotations

import re
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pagereeve.console.api.site import AskedPrinter, AskedSite
from pagereeve.console.pages.printer import SPAN_US, SPANS, latest_span_us, links_of
from pagereeve.console.pictures.life import DAY_US, LEAST_WIDTH, METER_HEIGHT, TICKS_MAX, picture_of, ticks_of
from pagereeve.domain.brackets.continuity import Identity
from pagereeve.domain.facts.facts import PolicySet, PrinterNoted
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Count, Unit
from pagereeve.domain.findings.evidence import counted_so_far
from pagereeve.domain.ledger import RowSegment, Verdict
from pagereeve.domain.projection.resume_point import ResumePoint
from pagereeve.domain.values.instants import from_text, to_text
from pagereeve.queries import printer_life
from pagereeve.queries.printer_life import Level, Life, life_of
from pagereeve.store.memory.journal import MemoryJournal
from tests.asking import ACCOUNTING, READER, asking
from tests.journal_samples import NOON_US, SECOND_US, badge, ended, failed, finding, key, origin, read, started, stretch

UTC = ZoneInfo("UTC")
MINUTE_US = 60 * SECOND_US
SITE = AskedSite(printers=(AskedPrinter(name="hall", gateway="east", host="192.0.2.1", port=161),))
SPAN = (NOON_US, NOON_US + 10 * MINUTE_US)
ASKED = f"from={to_text(SPAN[0])}&to={to_text(SPAN[1])}"


COUNTED = counted_so_far("total", 41_212, NOON_US, 3, NOON_US)


@pytest.fixture
async def journal() -> MemoryJournal:
    """Ten minutes: read at 100, a release by badge, 103, a restart, a read that failed, a note, a finding."""
    held = MemoryJournal()
    await held.append(PolicySet("hall", NOON_US - DAY_US, Policy(settle_us=7 * SECOND_US)))
    await held.append(badge("b-1", "hall", at_us=NOON_US + MINUTE_US))
    await held.append(started("s-1", "hall", at_us=NOON_US + MINUTE_US + 1, release="release/1"))
    await held.append(ended("e-1", "release/1", "hall", at_us=NOON_US + 2 * MINUTE_US))
    await held.append(
        PrinterNoted("hall", origin("n-1", NOON_US + 4 * MINUTE_US), "test-pages", "of mrs anise", "mr vetch")
    )
    readings = [read(100, "hall", at_us=NOON_US - 10 * DAY_US), read(103, "hall", at_us=NOON_US + 3 * MINUTE_US)]
    await held.observe(
        "hall", [*readings, failed("hall", at_us=NOON_US + 5 * MINUTE_US)], read(103, "hall", at_us=SPAN[1])
    )
    rows = RowSegment(
        "hall",
        NOON_US,
        None,
        stretches=(
            replace(stretch("hall", NOON_US, NOON_US + 3 * MINUTE_US, key(1)), verdict=Verdict.SURPLUS),
            replace(stretch("hall", NOON_US + 3 * MINUTE_US, NOON_US + 6 * MINUTE_US), counted=0),
        ),
        findings=(replace(finding("hall", 1, key(1), since_us=NOON_US + 2 * MINUTE_US), what=COUNTED),),
    )
    await held.replace("hall", None, [rows])
    return held


async def test_each_fact_of_the_span_is_drawn_once(journal: MemoryJournal) -> None:
    life = await life_of(journal, "hall", *SPAN)
    assert not life.coarse
    # The reading before lies far back; it is what the span begins with.
    assert [one.value for one in life.levels] == [100, 103]
    picture = picture_of(life, UTC)
    assert {lane.name: len(lane.marks) for lane in picture.lanes} == {
        "releases": 1,
        "badges": 1,
        "silences": 1,
        "restarts": 1,  # the agent had run for a second only
        "notes": 1,
        "findings": 1,
    }
    assert [(one.name, one.x, one.width) for one in picture.bands] == [("differs", 0.0, 30.0)]
    assert picture.runs == [(100, 103)]
    # Each figure stands at its height: the least below the most, and on neither line.
    assert [one.value for one in picture.heights] == [100, 103]
    assert [one.y for one in picture.heights] == sorted((one.y for one in picture.heights), reverse=True)
    assert not {one.y for one in picture.heights} & {line.y1 for line in picture.lines}
    [release] = next(lane.marks for lane in picture.lanes if lane.name == "releases")
    assert (round(release.x), round(release.width)) == (10, 10)


async def test_several_meter_runs_have_one_scale(journal: MemoryJournal) -> None:
    """How far the highest of them rose above the floor on which each stands."""
    life = await life_of(journal, "hall", *SPAN)
    first = life.levels[0]
    runs = [replace(first, value=value, joined=joined) for value, joined in ((100, True), (103, True), (7, False))]
    picture = picture_of(replace(life, levels=runs), UTC)
    assert picture.runs == [(100, 103), (7, 7)]
    assert [(one.value, one.rise) for one in picture.heights] == [(3, True)]


async def test_the_page_tells_the_same_in_words_and_names_nobody(journal: MemoryJournal) -> None:
    for caller in (READER, ACCOUNTING):
        async with asking(journal, caller, SITE) as client:
            answer = await client.get(f"/printers/hall?{ASKED}")
        assert answer.status_code == 200, answer.text
        text = answer.text
        assert "The meter showed 100 to 103 impressions; 1 release, 1 badge, 1 finding began." in text
        assert '<a href="/releases/release%2F1?source=urn%3Aexample%3Arelease-server">release/1</a>' in text
        assert '<a href="/findings/finding-hall-1">surplus</a>' in text
        assert "total 41\u202f212" in text
        assert "reads failed for 2.0 s: no answer" in text
        assert "noted: test-pages" in text
        assert "7.0 s, as the policy sets it" in text
        assert "serial number serial-1" in text
        assert "no test pages ever proved it" in text
        assert not re.search("anise|vetch|owner-1|b-0000", text)
        assert " style=" not in text


async def test_of_more_facts_than_are_drawn_the_sums_of_spans_are_told(
    journal: MemoryJournal, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(printer_life, "FACTS_MAX", 3)
    life = await life_of(journal, "hall", *SPAN)
    assert (life.coarse, len(life.rises), life.levels) == (True, printer_life.SPANS, ())
    assert (life.rises[0].from_us, life.rises[-1].to_us) == SPAN
    # No point of rest is known: that is told as such, and never as nothing counted.
    assert {one.pages for one in life.rises} == {None}
    async with asking(journal, READER, SITE) as client:
        text = (await client.get(f"/printers/hall?{ASKED}")).text
    assert "Zoom in to see them one by one." in text
    assert text.count('class="unclear"') == printer_life.SPANS
    assert '<td class="number">?</td>' in text


@pytest.mark.parametrize(
    "asked", ["from=2026-01-02&to=2026-01-01", "from=1900-01-01", "to=nonsense", "from=2000-01-01&to=2026-01-01", "x=1"]
)
async def test_a_span_that_is_none_is_refused(journal: MemoryJournal, asked: str) -> None:
    async with asking(journal, READER, SITE) as client:
        assert (await client.get(f"/printers/hall?{asked}")).status_code == 400


async def test_a_printer_that_nobody_knows_is_not_there(journal: MemoryJournal) -> None:
    async with asking(journal, READER, SITE) as client:
        assert (await client.get("/printers/nothing")).status_code == 404
    async with asking(MemoryJournal(), READER, SITE) as client:
        text = (await client.get("/printers/hall")).text
    assert "It was never read" in text
    assert "no reading" in text


@given(
    st.lists(st.tuples(st.integers(0, 600), st.integers(0, 60), st.integers(0, 10**9), st.booleans()), max_size=20),
    st.integers(1, 600),
)
def test_the_meter_is_drawn_within_the_picture_and_rises_where_it_rose(
    given_levels: list[tuple[int, int, int, bool]], seconds: int
) -> None:
    levels = [
        Level(NOON_US + at * SECOND_US, NOON_US + (at + held) * SECOND_US, value, joined)
        for at, held, value, joined in sorted(given_levels)
    ]
    life = Life("hall", NOON_US, NOON_US + seconds * SECOND_US, levels=levels)
    picture = picture_of(life, UTC)
    for line in picture.lines:
        assert 0 <= line.x1 <= 100
        assert line.x1 <= line.x2 <= 100 or line.rise
        assert 0 <= min(line.y1, line.y2) <= max(line.y1, line.y2) <= METER_HEIGHT
    flat = [line for line in picture.lines if not line.rise]
    assert len(flat) == len(levels)
    for nth, one in enumerate(levels[1:], 1):
        rose, drawn = one.value - levels[nth - 1].value, flat[nth - 1].y1 - flat[nth].y1
        # Pixels are rounded: one page of a thousand million is not seen.
        assert not one.joined or drawn * rose >= 0


@given(st.integers(0, 4_000_000_000), st.integers(1, 3_660 * 86_400))
def test_ticks_are_few_and_stand_at_even_times(from_s: int, seconds: int) -> None:
    from_us = from_s * SECOND_US
    ticks = ticks_of(from_us, from_us + seconds * SECOND_US, ZoneInfo("Europe/Berlin"))
    assert len(ticks) <= TICKS_MAX + 1
    assert all(LEAST_WIDTH < one.x < 100 for one in ticks)


def test_links_lead_from_a_year_to_a_minute_and_back() -> None:
    links = links_of("a/b", *SPAN, SPAN[1])
    assert [one.text for one in links["spans"] if one.href is None] == ["10 minutes"]
    assert [one.text for one in links["moves"] if one.href is None] == ["later"]
    for (_, span_us), one in zip(SPANS, links["spans"], strict=True):
        if one.href is not None:
            assert one.href.startswith("/printers/a%2Fb?")
            ends = [from_text(each.replace("%3A", ":")) for each in re.findall(r"=([^&]*)", one.href)]
            assert ends == [SPAN[1] - span_us, SPAN[1]]


@pytest.mark.parametrize(("ago_us", "lasts"), [(90 * SECOND_US, "10 minutes"), (20 * DAY_US, "a day")])
async def test_a_printer_that_is_known_for_minutes_fills_its_picture(ago_us: int, lasts: str) -> None:
    held = MemoryJournal()
    await held.append(read(100, "hall", at_us=NOON_US - ago_us))
    async with asking(held, READER, SITE) as client:
        text = (await client.get("/printers/hall")).text
    assert f'<b aria-current="true">{lasts}</b>' in text


@given(st.integers(0, 3_660 * DAY_US))
def test_what_is_shown_first_holds_all_that_is_known_of_a_day(known_for_us: int) -> None:
    assert min(known_for_us, SPAN_US) <= latest_span_us(known_for_us) <= SPAN_US


def rest_at(at_us: int, total: int, run: int) -> RowSegment:
    """A segment that ends with a point of rest."""
    counts = (("total", Count(total, Unit.IMPRESSIONS)),)
    point = ResumePoint(at_us, at_us, run, Identity(), (("total", total),), counts)
    return RowSegment("hall", at_us - MINUTE_US, point.to_json())


async def test_sums_of_spans_are_what_the_meter_rose_by(
    journal: MemoryJournal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The meter rests at 100, 102, 110; another device at 7, 9."""
    monkeypatch.setattr(printer_life, "FACTS_MAX", 3)
    rests = [(10, 100, 1), (20, 102, 1), (30, 110, 1), (40, 7, 2), (50, 9, 2)]
    await journal.replace("hall", None, [rest_at(NOON_US + at * MINUTE_US, total, run) for at, total, run in rests])
    life = await life_of(journal, "hall", NOON_US, NOON_US + 60 * MINUTE_US)
    assert life.coarse
    rose = [one.pages for one in life.rises]
    assert [one for one in rose if one] == [2, 8, 2]
    # Before the first point of rest, and where another device answered.
    assert rose.count(None) == rose.index(0) + 1
    assert rose[rose.index(8) + 1 :].count(None) == 1
    picture = picture_of(life, UTC)
    assert [bar.known for bar in picture.bars] == [one is not None for one in rose]
    assert max(bar.height for bar in picture.bars) <= METER_HEIGHT
