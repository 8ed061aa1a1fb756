"""For whom nobody pays: the sums of totals' house lines, split by cause, with what would help."""

from __future__ import annotations

import csv
import io
from collections import Counter
from dataclasses import replace
from typing import Final, get_args

import pytest
from rich.console import Console

from pagereeve.domain.accounts.export_rows import house_rows
from pagereeve.domain.accounts.losses import EVIDENT, UNPROVEN, Cause, LossKey
from pagereeve.domain.accounts.period_before import period_before
from pagereeve.domain.accounts.periods import ALWAYS_US, Period, period_of
from pagereeve.domain.brackets.hypotheses import BY_NAME, HYPOTHESES
from pagereeve.domain.facts.facts import Decided, Fact, Reason
from pagereeve.domain.ledger import HOUSE_ACCOUNTS, SURPLUS, RowSegment
from pagereeve.domain.projection.projector import rebuild
from pagereeve.queries.losses import LossesAnswer, LossesBy, losses_of
from pagereeve.queries.remedies import remedy_for
from pagereeve.queries.totals import totals_of
from pagereeve.reports import losses as shown
from pagereeve.reports.exports.csv_file import CsvForm
from pagereeve.reports.losses import cause_words, losses_csv, losses_json, losses_tables
from pagereeve.store.memory.journal import MemoryJournal
from tests.histories import PRINTER, journal_of, origin
from tests.property.days import PRINTER as DAYS_PRINTER
from tests.property.days import Day, make_day
from tests.statements import BERLIN, NOVEMBER, month
from tests.unit.queries.test_queries import ALWAYS, PERIODS

REASONS: Final[tuple[Reason, ...]] = ("walk-up-copy", "bypass", "maintenance")


async def journal_with(day: Day) -> MemoryJournal:
    journal = MemoryJournal()
    for fact in day.facts:
        if fact.printer:
            await journal.append(fact)
    await journal.replace(DAYS_PRINTER, None, rebuild(DAYS_PRINTER, day.facts, day.open_run))
    return journal


def by_account(answer: LossesAnswer) -> Counter[tuple[str, str, str]]:
    pages: Counter[tuple[str, str, str]] = Counter()
    for one in answer.losses:
        pages[one.key.account, one.key.channel, one.key.unit] += one.pages
    return Counter({key: many for key, many in pages.items() if many})


@pytest.mark.parametrize("seed", range(8))
async def test_of_each_account_the_pages_are_those_of_totals_house_lines_and_unproven_ones_in_every_period(
    seed: int,
) -> None:
    odd = seed % 2 == 1
    journal = await journal_with(make_day(seed, 60, life=odd, units=odd, apart=not odd, channels=not odd))
    for period in (ALWAYS, *PERIODS):
        totals = await totals_of(journal, period, "person")
        expected = Counter[tuple[str, str, str]]()
        for row in house_rows(totals.accounts.lines, "person"):
            expected[row.account, row.channel, row.unit] += row.pages
        for line in totals.lines:
            if line.unproven:
                expected[UNPROVEN, line.channel, line.unit] += line.unproven
        for by in get_args(LossesBy):
            answer = await losses_of(journal, period, by)
            assert by_account(answer) == expected
            assert sum(one.nobodys + one.unproven for one in answer.lines) == sum(expected.values())


async def test_the_month_s_are_split_by_what_they_came_of_the_dearest_first() -> None:
    answer = await losses_of(await journal_of(month()), NOVEMBER, "printer")
    found = [(one.key.account, one.key.cause, one.pages, one.remedy.kind) for one in answer.losses]
    assert found == [
        ("house:stray", Cause("unknown", "not-explained"), 18, "look"),
        ("house:surplus", Cause("hint", "banner-sheet"), 5, "setting"),
        (UNPROVEN, Cause("evidence", "run-ended"), 5, "repair"),
    ]
    (line,) = answer.lines
    assert (line.who, line.nobodys, line.unproven) == (PRINTER, 23, 5)
    assert answer.losses[1].remedy.words == BY_NAME["banner-sheet"].cure


async def test_a_reason_that_people_gave_is_the_cause() -> None:
    facts: list[Fact] = month()
    (segment, *more) = rebuild(PRINTER, facts, None)
    strays = [one for part in (segment, *more) for one in part.findings if one.kind == "stray-pages"]
    said = [
        Decided(PRINTER, origin(f"decided-{nth}", 0), one.id, "explain", "warden", reason)
        for nth, (one, reason) in enumerate(zip(strays, REASONS, strict=False))
    ]
    answer = await losses_of(await journal_of([*facts, *said]), NOVEMBER, "cause")
    pages = {(one.key.account, one.key.cause): one.pages for one in answer.losses}
    assert pages["house:stray", Cause("said", "walk-up-copy")] == 2
    assert pages["house:stray", Cause("said", "bypass")] == 2
    assert pages["house:maintenance", Cause("noted", "maintenance")] == 2
    assert pages["house:stray", Cause("unknown", "not-explained")] == 12
    assert answer.lines[0].who == Cause("unknown", "not-explained")


async def test_a_pattern_that_is_the_printer_s_diagnosis_is_more_than_a_hint() -> None:
    answer = await losses_of(await journal_of(month(days=4, more=1)), NOVEMBER, "cause")
    pages = {one.key.cause: (one.pages, one.remedy.words) for one in answer.losses if one.key.account == SURPLUS}
    assert pages == {Cause("diagnosis", "banner-sheet"): (4, BY_NAME["banner-sheet"].cure)}


async def test_the_period_before_stands_beside_it_and_what_is_not_known_is_not_0() -> None:
    journal = await journal_of(month())
    second = await losses_of(journal, period_of("2026-11-25", BERLIN), "printer")
    assert second.before is not None
    assert second.before.name == "2026-11-24"
    week = await losses_of(journal, period_of("2026-W45", BERLIN), "printer")
    assert week.before is not None
    assert (second.before_partly, week.before_partly) == (False, True)
    assert (await losses_of(journal, NOVEMBER, "printer")).before is None
    first = await losses_of(journal, period_of("2026-10-31", BERLIN), "printer")
    assert first.before is None
    assert {one.before for one in first.losses} <= {None}
    always = await losses_of(journal, ALWAYS, "printer")
    assert {one.before for one in always.losses} == {None}
    assert losses_json(always)["before"] is None


@pytest.mark.parametrize(
    ("name", "before"),
    [
        ("2026", "2025"),
        ("2026-Q1", "2025-Q4"),
        ("2026-03", "2026-02"),
        ("2026-01", "2025-12"),
        ("2026-W01", "2025-W52"),
        ("2026-10-26", "2026-10-25"),
    ],
)
def test_the_period_before_a_calendar_s_own_is_the_calendar_s(name: str, before: str) -> None:
    period = period_of(name, BERLIN)
    found = period_before(period)
    assert found is not None
    assert (found.name, found.from_us, found.to_us) == (
        before,
        period_of(before, BERLIN).from_us,
        period.from_us,
    )


def test_the_period_before_another_is_as_long_and_a_day_of_25_hours_is_one_day() -> None:
    hour = 3_600_000_000
    october = period_of("2026-10-26", BERLIN)
    whole = Period("two days", BERLIN, october.from_us, october.from_us + 48 * hour)
    found = period_before(whole)
    assert found is not None
    assert (found.to_us - found.from_us) == 49 * hour
    part = Period("an hour", BERLIN, october.from_us + hour, october.from_us + 2 * hour)
    found = period_before(part)
    assert found is not None
    assert (found.from_us, found.to_us) == (october.from_us, october.from_us + hour)
    assert period_before(Period("always", BERLIN, 0, ALWAYS_US)) is None


def test_every_cause_has_words_and_something_to_do() -> None:
    assert set(shown.EVIDENT) == set(EVIDENT)
    causes = [Cause("evidence", name) for name in EVIDENT] + [Cause("said", name) for name in get_args(Reason)]
    causes += [Cause("diagnosis", one.name) for one in HYPOTHESES]
    for cause in causes:
        assert cause_words(cause)
        for account in (*HOUSE_ACCOUNTS, UNPROVEN):
            assert remedy_for(account, cause).words
    assert cause_words(Cause("said", "jam")) == "jam, as people said"
    assert cause_words(Cause("hint", "banner-sheet")).startswith("possibly: each job brings one sheet")


async def test_names_of_printers_reach_csv_and_terminal_harmless() -> None:
    journal = await journal_of(month())
    named = "=1+2\x1b[31m"
    segments = [as_of(one, named) for one in rebuild(PRINTER, month(), None)]
    await journal.replace(named, None, segments)
    answer = await losses_of(journal, NOVEMBER, "printer")
    rows = list(csv.DictReader(io.StringIO(losses_csv(answer, CsvForm.of("de")).lstrip("\ufeff")), delimiter=";"))
    assert {row["printer"] for row in rows} == {PRINTER, f"'{named}"}
    console = Console(file=io.StringIO(), width=250)
    for table in losses_tables(answer):
        console.print(table)
    assert isinstance(console.file, io.StringIO)
    assert "\x1b" not in console.file.getvalue()
    assert "\\x1b[31m" in console.file.getvalue()


def as_of(segment: RowSegment, printer: str) -> RowSegment:
    return replace(
        segment,
        printer=printer,
        stretches=tuple(replace(one, printer=printer) for one in segment.stretches),
        charges=tuple(replace(one, printer=printer) for one in segment.charges),
        postings=tuple(replace(one, printer=printer) for one in segment.postings),
        findings=(),
    )


def key(account: str) -> LossKey:
    return LossKey("p", "total", "impressions", account, Cause("unknown", "not-explained"))


def test_parts_of_a_billed_channel_are_not_billed() -> None:
    assert key(UNPROVEN).billed
    assert not replace(key(UNPROVEN), channel="mono").billed
