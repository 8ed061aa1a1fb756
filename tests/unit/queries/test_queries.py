"""Questions on the store in memory: each answer is of one moment, and equals what is worked out from all rows."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import replace
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from pagereeve.domain.accounts.cost_centres import CostCentres
from pagereeve.domain.accounts.periods import ALWAYS_US, Period
from pagereeve.domain.accounts.totals import Totals
from pagereeve.domain.ledger import Finding, FindingState, Posting, RowSegment, Severity, is_meter, meter_account
from pagereeve.domain.projection.projector import rebuild
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.findings import FindingFilter
from pagereeve.queries.alerts import alerts_of
from pagereeve.queries.findings import (
    CLOSED,
    NOT_SAID,
    SummaryLine,
    finding_of,
    findings_of,
    summary_of,
    unknown_printer,
)
from pagereeve.queries.installation import SilentPrinter, journal_state
from pagereeve.queries.ledger import rows_of
from pagereeve.queries.totals import totals_of
from pagereeve.store.memory.journal import MemoryJournal
from tests.findings import said
from tests.histories import assigned
from tests.journal_samples import NOON_US, failed, read
from tests.property.days import DAY_US, PRINTER, make_day

UTC = ZoneInfo("UTC")
ALWAYS = Period("always", UTC, 0, ALWAYS_US)
EDGES = [0, *(DAY_US + at_us * SECOND_US for at_us in (60, 200, 201, 400)), ALWAYS_US]
PERIODS = [Period("", UTC, begins, ends) for begins, ends in pairwise(EDGES)]


def segments_of(seed: int, printer: str = PRINTER) -> list[RowSegment]:
    day = make_day(seed, 60)
    return [
        replace(
            one,
            printer=printer,
            stretches=tuple(replace(row, printer=printer) for row in one.stretches),
            charges=tuple(replace(row, printer=printer) for row in one.charges),
            postings=tuple(replace(row, printer=printer, legs=_legs(row, printer)) for row in one.postings),
            findings=(),
        )
        for one in rebuild(PRINTER, day.facts, day.open_run)
    ]


def _legs(posting: Posting, printer: str) -> tuple[tuple[str, int], ...]:
    return tuple((meter_account(printer) if is_meter(name) else name, pages) for name, pages in posting.legs)


async def journal_with(*seeds: int) -> MemoryJournal:
    journal = MemoryJournal()
    for seed in seeds:
        await journal.replace(f"printer-{seed}", None, segments_of(seed, f"printer-{seed}"))
    return journal


async def test_totals_of_persons_and_of_printers_speak_of_the_same_releases() -> None:
    journal = await journal_with(1, 2, 3)
    for period in PERIODS:
        persons, printers = await totals_of(journal, period, "person"), await totals_of(journal, period, "printer")
        assert printers.conserved
        assert persons.conserved
        charged = sum(line.charged for line in persons.lines)
        assert charged == sum(line.charged for line in printers.lines)
        assert charged == sum(line.people for line in printers.accounts.lines)
    whole = await totals_of(journal, ALWAYS, "printer")
    assert sum(line.charged for line in whole.lines) > 10


async def test_a_person_who_moves_within_the_period_is_shared_out_by_the_start_of_each_release() -> None:
    journal = await journal_with(4, 5)
    moves = [
        assigned("owner-1", "CC1", DAY_US - SECOND_US),
        assigned("owner-1", "CC2", DAY_US + 150 * SECOND_US),
        assigned("owner-2", "CC2", DAY_US + 250 * SECOND_US),
    ]
    for move in moves:
        await journal.append(move)
    centres = CostCentres(moves)
    for period in (ALWAYS, *PERIODS):
        one_by_one = Totals("cost-centre", centres)
        async for charge in journal.charges(period.from_us, period.to_us):
            one_by_one.add(charge)
        assert list((await totals_of(journal, period, "cost-centre")).lines) == one_by_one.lines()


async def test_the_entries_of_consecutive_periods_are_the_ledger_each_dated_in_its_own() -> None:
    journal = await journal_with(6, 7, 8)
    parts: dict[str, int] = {}
    over = 0
    for period in PERIODS:
        for row in [row async for page in rows_of(journal, period) for row in page]:
            assert period.holds(row.at_us)
            assert row.unit is not None
            assert sum(pages for _, pages in row.legs) == 0
            over += not period.holds(row.closes_us)
            for account, pages in row.legs:
                parts[account] = parts.get(account, 0) + pages
    whole: dict[str, int] = {}
    async for posting in journal.postings(0, ALWAYS_US):
        for account, pages in posting.legs:
            whole[account] = whole.get(account, 0) + pages
    assert parts == whole
    assert over
    mine = [row async for page in rows_of(journal, ALWAYS, "printer-7") for row in page]
    assert {row.printer for row in mine} == {"printer-7"}


async def test_the_ledger_of_a_period_gives_each_printer_what_its_accounts_say() -> None:
    journal = await journal_with(9, 10)
    for period in PERIODS:
        given: dict[str, int] = {}
        for row in [row async for page in rows_of(journal, period) for row in page]:
            given[row.printer] = given.get(row.printer, 0) - sum(n for name, n in row.legs if is_meter(name))
        accounts = (await totals_of(journal, period, "printer")).accounts
        counted: dict[str, int] = {}
        for line in accounts.lines:
            counted[line.printer] = counted.get(line.printer, 0) + line.counted
        assert {name: n for name, n in counted.items() if n} == {name: n for name, n in given.items() if n}


class WrittenMeanwhile(MemoryJournal):
    """Another release is projected between any two reads of one answer."""

    def __init__(self, after: Sequence[RowSegment]) -> None:
        super().__init__()
        self.after = after

    @asynccontextmanager
    async def snapshot(self) -> AsyncIterator[MemoryJournal]:
        async with super().snapshot() as held:
            await self.replace(PRINTER, None, self.after)
            yield held


async def test_an_answer_is_of_one_moment_whatever_is_written_meanwhile() -> None:
    before, after = segments_of(11, PRINTER), segments_of(12, PRINTER)
    journal, still = WrittenMeanwhile(after), MemoryJournal()
    for one in (journal, still):
        await one.replace(PRINTER, None, before)
    # Two journals differ in their origins, and so in their seals.
    written, unwritten = [replace(await totals_of(one, ALWAYS, "printer"), seal=None) for one in (journal, still)]
    assert written == unwritten
    assert await journal.segments(PRINTER) != await still.segments(PRINTER)


def finding(
    number: int, severity: Severity, state: FindingState = "open", *, printer: str = PRINTER, reason: str = ""
) -> Finding:
    since_us = NOON_US + number * SECOND_US
    pages = number if number % 2 else -number
    kind = "surplus" if number % 2 else "shortfall"
    return Finding(
        f"f-{number}", kind, severity, printer, since_us, None, state, said("told"), (said("x"),), pages, reason
    )


FINDINGS = (
    finding(1, "info"),
    finding(2, "critical"),
    finding(3, "warning", "explained", reason="jam"),
    finding(4, "critical", "closed"),
    finding(5, "critical"),
    finding(6, "warning", printer="hall"),
)


async def with_findings() -> MemoryJournal:
    journal = MemoryJournal()
    for printer in (PRINTER, "hall"):
        mine = tuple(one for one in FINDINGS if one.printer == printer)
        await journal.replace(printer, None, [RowSegment(printer, 1, None, findings=mine)])
    return journal


@pytest.mark.parametrize(
    ("wanted", "names"),
    [
        (FindingFilter(), ["f-2", "f-4", "f-5", "f-3", "f-6", "f-1"]),
        (FindingFilter(state="open"), ["f-2", "f-5", "f-6", "f-1"]),
        (FindingFilter(kind="surplus"), ["f-5", "f-3", "f-1"]),
        (FindingFilter(printer="hall"), ["f-6"]),
        (FindingFilter(state="open", severity="warning"), ["f-6"]),
        (FindingFilter(from_us=NOON_US + 4 * SECOND_US, to_us=NOON_US + 6 * SECOND_US), ["f-4", "f-5"]),
    ],
)
async def test_findings_are_chosen_counted_and_paged_the_worst_first(wanted: FindingFilter, names: list[str]) -> None:
    journal = await with_findings()
    whole = await findings_of(journal, wanted, 100)
    assert [one.id for one in whole.findings] == names
    assert (whole.count(), whole.after) == (len(names), None)
    paged, after = [], None
    while True:
        page = await findings_of(journal, wanted, 2, after)
        assert page.count() == len(names)
        paged += [one.id for one in page.findings]
        after = page.after
        if after is None:
            break
    assert paged == names


async def test_a_printer_that_nobody_knows_is_told_with_the_nearest() -> None:
    journal = await with_findings()
    await journal.append(read(1, "printer-a"))
    assert await unknown_printer(journal, "printer-a") is None
    assert await unknown_printer(journal, "Printer A") == "printer-a"
    assert await unknown_printer(journal, "zz") == ""


async def test_one_finding_by_its_id_or_a_clear_error() -> None:
    journal = await with_findings()
    assert (await finding_of(journal, "f-3")).findings == (FINDINGS[2],)
    with pytest.raises(BadQuestion, match="is no finding; pagereeve findings --all lists them"):
        await finding_of(journal, "f-9")


async def test_a_summary_adds_up_pages_by_what_they_came_of() -> None:
    journal = await with_findings()
    assert (await summary_of(journal, ALWAYS)).lines == (
        SummaryLine("jam", "surplus", 1, 3, 0),
        SummaryLine(CLOSED, "shortfall", 1, 0, 4),
        SummaryLine(NOT_SAID, "shortfall", 2, 0, 8),
        SummaryLine(NOT_SAID, "surplus", 2, 6, 0),
    )
    early = Period("", UTC, 0, NOON_US + 2 * SECOND_US)
    assert (await summary_of(journal, early)).lines == (SummaryLine(NOT_SAID, "surplus", 1, 1, 0),)


async def test_the_state_of_the_journal_for_whoever_judges_it() -> None:
    journal = await with_findings()
    await journal.observe("silent", [read(5, "silent")], failed("silent", at_us=NOON_US + 60 * SECOND_US))
    await journal.observe("never", [], failed("never"))
    await journal.observe("well", [], read(7, "well"))
    printers = ("silent", "never", "well", "unheard")
    known = await journal_state(journal, printers, now_us=0, daemon_runs=True)
    assert known.findings == {("info", "surplus"): 1, ("critical", "shortfall"): 1} | {
        ("critical", "surplus"): 1,
        ("warning", "shortfall"): 1,
    }
    last_us = read(5).plateau.last_received_us
    assert known.quiet == (
        SilentPrinter("silent", last_us, "timeout"),
        SilentPrinter("never", None, "timeout"),
        SilentPrinter("well", last_us),
    )
    assert known.newest_us == last_us
    assert known.waiting_us == {}
    without = await journal_state(journal, printers, now_us=0, daemon_runs=False)
    assert [one.printer for one in without.quiet] == ["silent", "never"]


async def test_alerts_of_an_empty_journal() -> None:
    answer = await alerts_of(MemoryJournal())
    assert (list(answer.kept), dict(answer.queues), answer.one_stands) == ([], {}, False)
