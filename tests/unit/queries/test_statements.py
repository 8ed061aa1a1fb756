"""Statements of a person, a cost centre and a printer: what is in them, what adds up, and who is not named."""

from __future__ import annotations

import io
import json
from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from html.parser import HTMLParser
from xml.etree import ElementTree as ET

import pytest
from rich.console import Console

from pagereeve.domain.accounts.periods import Period, period_of
from pagereeve.domain.accounts.rates import Rate, RateCard, Rates
from pagereeve.domain.facts.facts import Fact, PagesDecided, ReleaseEnded, ReleaseStarted
from pagereeve.domain.facts.page_decision import PageDecision
from pagereeve.domain.ledger import HOUSE_ACCOUNTS, Charge, Grade, ReleaseKey, RowSegment, Verdict
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.instants import from_text
from pagereeve.queries import corrections, statement_rows
from pagereeve.queries.costs import Prices
from pagereeve.queries.statement_lines import Caution, Standing, Statement, Subject, SubjectKind
from pagereeve.queries.statements import statement_of
from pagereeve.reports.statements import words
from pagereeve.reports.statements.as_json import statement_json
from pagereeve.reports.statements.html import statement_page
from pagereeve.reports.statements.on_terminal import statement_parts
from pagereeve.store.memory.journal import MemoryJournal
from tests.histories import PRINTER, at, journal_of
from tests.journal_samples import SERVER, charge
from tests.page_decisions import origin
from tests.statements import BERLIN, HOSTILE, NOVEMBER, late, month
from tests.unit.queries.test_queries import ALWAYS, PERIODS, segments_of

HOUSE_ACCOUNT_WORDS = {"house:stray": 18, "house:surplus": 5}


async def of(kind: SubjectKind, name: str, *, names: bool = False) -> Statement:
    return await statement_of(await journal_of(month()), Subject(kind, name), NOVEMBER, names=names)


def looks(statement: Statement) -> list[str]:
    """As a page, as JSON, and on a terminal."""
    console = Console(file=io.StringIO(), width=200)
    for part in statement_parts(statement):
        console.print(part)
    assert isinstance(console.file, io.StringIO)
    body = json.dumps(statement_json(statement, "2026a"), ensure_ascii=False)
    return [statement_page(statement, "2026a", "1.0"), body, console.file.getvalue()]


async def test_a_person_s_has_their_releases_however_the_login_is_written_and_nobody_else() -> None:
    known = await of("person", " Anise ")
    assert [line.first.release.release for line in known.lines] == [f"r-{nth:02d}" for nth in range(0, 28, 2)]
    assert (known.subject.name, known.also_written) == ("anise", ("ANISE",))
    (sums,) = known.sums
    assert (sums.releases, sums.released.pages, sums.counted.pages, sums.charged, sums.unproven) == (14, 70, 69, 66, 0)
    assert known.cautions == [Caution.COUNT_IS_OF_A_PRINTER, Caution.SEVERAL_SPELLINGS]
    assert known.accounts is None
    for look in looks(known):
        assert "HYPERLINK" not in look
        assert "anise" in look


async def test_a_late_notice_stands_there_as_a_correction_with_what_was_there_before() -> None:
    known = await of("person", HOSTILE)
    ((line, correction),) = [(line, one) for line in known.lines for one in line.corrections]
    assert line.first.release.release == "r-01"
    assert correction.at_us == line.first.started_us + 9_000_000_000
    assert (correction.before, correction.after) == (Standing("not known", 0, 0), Standing("agrees", 3, 0))
    assert known.corrected == 1
    assert "2026-11-02 12:30:00+01:00: a notice came 2.5 h late" in statement_page(known, "2026a", "1.0")
    assert statement_json(known, "2026a")["releases"][0]["corrections"][0]["before"]["charged"] == 0


@pytest.mark.parametrize("worked_out", [0, 1, 2])
async def test_every_late_notice_is_worked_out_or_its_release_is_marked(
    monkeypatch: pytest.MonkeyPatch, worked_out: int
) -> None:
    facts = [late(fact, 200_000 + nth) if _is_of(fact, "r-08") else fact for nth, fact in enumerate(month())]
    journal = await journal_of(facts)
    monkeypatch.setattr(corrections, "GONE_THROUGH_MAX", worked_out)
    known = await statement_of(journal, Subject("printer", PRINTER), NOVEMBER)
    marked = [line.first.release.release for line in known.lines if line.late]
    assert marked == ["r-01", "r-08"][worked_out:]
    assert (Caution.LATE_NOT_LOOKED_AT in known.cautions) is bool(marked)
    assert known.corrected == worked_out
    for look in looks(known):
        assert ("A notice came late" in look or '"late": true' in look) is bool(marked)


def _is_of(fact: Fact, release: str) -> bool:
    return isinstance(fact, ReleaseStarted | ReleaseEnded) and fact.release == release


async def test_pages_of_others_that_a_decision_gave_are_lines_of_their_own_and_name_nobody() -> None:
    journal = await journal_of(month())
    stray = next(
        one
        for segment in await journal.segments(PRINTER)
        for one in segment.postings
        if "house:stray" in dict(one.legs)
    )
    said = PageDecision("move", 2, "found-out", "total", closes_us=stray.closes_us, taken_from="stray")
    decided = PagesDecided(PRINTER, origin("d-1", at(0)), "warden", replace(said, to="person", to_name="Clove"))
    await journal.append(decided)
    known = await statement_of(journal, Subject("person", "clove"), NOVEMBER)
    (line,) = known.decided
    assert (line.decision, line.pages, line.taken_from, line.at_us) == ("d-1", 2, "stray", stray.closes_us)
    assert [(one.releases, one.charged) for one in known.sums] == [(0, 2)]
    for look in looks(known):
        assert "house:stray" in look or '"taken_from": "stray"' in look
        assert "warden" not in look
    of_printer = await statement_of(journal, Subject("printer", PRINTER), NOVEMBER)
    assert not any("clove" in look.lower() for look in looks(of_printer))
    assert of_printer.accounts is not None
    assert sum(one.charged for one in of_printer.sums) == of_printer.accounts.lines[0].people
    rates = Rates([RateCard("2026", "EUR", 0, (Rate("total", Decimal("0.10")),))])
    priced = await statement_of(journal, Subject("person", "clove"), NOVEMBER, Prices(rates, {}))
    assert priced.bill is not None
    assert [one.text for one in priced.bill.amounts()] == ["0.20"]


async def test_a_printer_s_goes_from_the_meter_s_figures_to_who_received_its_pages() -> None:
    known = await of("printer", PRINTER)
    assert known.accounts is not None
    (line,) = known.accounts.lines
    assert (line.meter_start, line.meter_end, line.meter_restarts) == (1000, 655, 495)
    assert line.counted == line.people + line.house == 150
    assert {name: line.received[name.removeprefix("house:")] for name in HOUSE_ACCOUNT_WORDS} == HOUSE_ACCOUNT_WORDS
    assert sum(one.charged for one in known.sums) == line.people
    assert [(one.grade, one.releases, one.unproven) for one in known.grades] == [("tight", 27, 0), ("broken", 1, 5)]
    page = statement_page(known, "2026a", "1.0")
    assert "house:stray: counted without a release" in page
    (account,) = statement_json(known, "2026a")["accounts"]
    assert (account["stray"], account["surplus"], account["conserved"]) == (18, 5, True)


@pytest.mark.parametrize("seed", range(6))
async def test_a_printer_s_charges_are_what_its_account_says_of_people_in_every_period(seed: int) -> None:
    journal = MemoryJournal()
    await journal.replace("p", None, segments_of(seed, "p"))
    for period in (ALWAYS, *PERIODS):
        known = await statement_of(journal, Subject("printer", "p"), period)
        assert known.accounts is not None
        charged = {(one.channel, one.unit): one.charged for one in known.sums}
        assert known.conserved
        for line in known.accounts.lines:
            assert line.people == charged.pop((line.channel, line.unit), 0)
        assert not any(charged.values())


@pytest.mark.parametrize(("kind", "name"), [("printer", PRINTER), ("cost-centre", "00042")])
async def test_people_are_named_only_where_the_caller_may_see_them(kind: SubjectKind, name: str) -> None:
    for look in looks(await of(kind, name)):
        assert "anise" not in look.lower()
        assert "HYPERLINK" not in look
    named = await of(kind, name, names=True)
    assert all("anise" in look for look in looks(named))
    assert statement_json(named, "2026a")["releases"][0]["person"] == "anise"


async def test_a_cost_centre_has_those_who_belonged_to_it_and_one_that_nobody_is_in_has_none() -> None:
    assert len((await of("cost-centre", "00042")).lines) == 14
    assert len((await of("cost-centre", "")).lines) == 14
    assert not (await of("cost-centre", "42")).lines


async def test_costs_are_worked_out_of_charged_pages_and_rounded_once() -> None:
    rates = Rates([RateCard("2026", "EUR", 0, (Rate("total", Decimal("0.025")),))])
    journal = await journal_of(month())
    known = await statement_of(journal, Subject("person", "anise"), NOVEMBER, Prices(rates, {}))
    assert known.bill is not None
    assert [(one.text, one.currency) for one in known.bill.amounts()] == [("1.65", "EUR")]
    assert "<b>1.65 EUR</b>" in statement_page(known, "2026a", "1.0")
    assert statement_json(known, "2026a")["costs"]["amounts"][0]["minor_units"] == 165
    later = Rates([RateCard("later", "EUR", 2**60, (Rate("total", Decimal("0.025")),))])
    known = await statement_of(journal, Subject("person", "anise"), NOVEMBER, Prices(later, {}))
    assert Caution.UNPRICED in known.cautions


async def test_a_person_with_no_release_has_a_statement_that_says_so() -> None:
    known = await of("person", "nobody")
    page, _, shown = looks(known)
    assert "Nothing was released in this period." in page
    assert "Nothing was released in this period." in shown
    assert (known.lines, known.charts, known.subject.name) == ([], [], "nobody")
    assert known.cautions == [Caution.COUNT_IS_OF_A_PRINTER]


class _Page(HTMLParser):
    """What would run, load, or leave an element open."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.open: list[str] = []
        self.loads: list[tuple[str, str | None]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.loads += [one for one in attrs if one[0] in {"src", "href", "style"} or one[0].startswith("on")]
        if tag not in {"meta", "br"}:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


async def test_the_page_is_whole_runs_nothing_and_loads_nothing_whatever_names_are_in_it() -> None:
    known = await of("printer", PRINTER, names=True)
    hostile = replace(known, subject=Subject("printer", HOSTILE), also_written=(HOSTILE,))
    page = statement_page(hostile, "2026a", "1.0")
    parsed = _Page()
    parsed.feed(page)
    assert (parsed.open, parsed.loads) == ([], [])
    assert not {"script", "link", "img", "iframe", "object"} & set(parsed.tags)
    assert "&lt;script&gt;" in page
    assert "\u202e" not in page
    assert "url(" not in page.replace("url(#hatch0)", "")
    drawn = ET.fromstring(page[page.index("<svg") : page.index("</svg>") + 6])
    assert len(drawn.findall(".//rect")) == 2 + 28
    assert drawn.get("role") == "img"


def november_clocks(number: int) -> list[Charge]:
    """Releases through the night in which the clock is put back, each quarter of an hour from 00:00 to 24:00."""
    first = from_text("2026-10-24T22:00:00Z")
    return [
        replace(charge("hall", ReleaseKey(SERVER, f"r-{nth}"), first + nth * 900_000_000), owner="sage")
        for nth in range(number)
    ]


async def journal_with(charges: Sequence[Charge]) -> MemoryJournal:
    journal = MemoryJournal()
    await journal.replace("hall", None, [RowSegment("hall", at(0), None, charges=tuple(charges))])
    return journal


def day(name: str) -> Period:
    return period_of(name, BERLIN)


async def test_a_day_of_25_hours_is_one_day_and_both_half_past_twos_are_told_apart() -> None:
    journal = await journal_with(november_clocks(101))
    known = await statement_of(journal, Subject("person", "sage"), day("2026-10-25"))
    assert len(known.lines) == 100
    (chart,) = known.charts
    assert chart.spans == (("2026-10-25", 300, 0),)
    page = statement_page(known, "2026a", "1.0")
    assert page.count("2026-10-25<br>02:30:00+02:00") == page.count("2026-10-25<br>02:30:00+01:00") == 1
    october = await statement_of(journal, Subject("person", "sage"), day("2026-10"))
    assert [len(one.spans) for one in october.charts] == [31]
    year = await statement_of(journal, Subject("person", "sage"), day("2026"))
    assert [(one.by, len(one.spans)) for one in year.charts] == [("month", 12)]


async def test_too_many_releases_for_a_statement_are_refused_with_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(statement_rows, "CHARGES_MAX", 99)
    journal = await journal_with(november_clocks(100))
    with pytest.raises(BadQuestion, match=r"more than 99 charges.*use totals"):
        await statement_of(journal, Subject("person", "sage"), day("2026-10-25"))


def test_every_grade_verdict_account_and_caution_has_words() -> None:
    assert set(words.CAUTIONS) == set(Caution)
    assert set(words.GRADES) == set(Grade)
    assert set(words.VERDICTS) == set(Verdict)
    assert set(words.HOUSE_ACCOUNT_WORDS) == set(HOUSE_ACCOUNTS)


async def test_one_page_is_one_page() -> None:
    journal = await journal_with([replace(november_clocks(1)[0], charged=1, unproven=1)])
    known = await statement_of(journal, Subject("person", "sage"), day("2026-10-25"))
    assert words.summary_of(known) == "1 release: 1 impression charged and 1 unsupported (total)."
