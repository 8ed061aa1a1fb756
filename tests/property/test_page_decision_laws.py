"""Decisions about pages: each balances, an undo restores exactly, people and house accounts stay what meters count."""

from __future__ import annotations

import asyncio
from collections import Counter
from random import Random
from typing import Final

from hypothesis import given, settings
from hypothesis import strategies as st

from pagereeve.domain.accounts.decisions import Ruling, in_force
from pagereeve.domain.accounts.export_rows import ExportBy, ExportRow
from pagereeve.domain.facts.facts import PagesDecided
from pagereeve.domain.facts.page_decision import PageDecision, PagesFrom, PagesTo
from pagereeve.domain.ledger import Charge, RowSegment
from pagereeve.domain.projection.projector import rebuild
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.queries.page_decisions import ruled, ruling_on
from pagereeve.queries.totals import totals_of
from pagereeve.store.memory.journal import MemoryJournal
from tests.page_decisions import confirmed, origin, undone, waived
from tests.property.days import DAY_US, PRINTER, make_day
from tests.property.test_export_rows import exported, periods_of, segments_of

FEWER: Final = settings(max_examples=max(6, settings().max_examples // 15))
SEEDS = st.integers(0, 2**32)
LATER_US: Final = DAY_US + 86_400 * SECOND_US
RECEIVERS: Final[tuple[tuple[PagesTo, str], ...]] = (
    ("person", "Basil"),
    ("person", "nobody-yet"),
    ("cost-centre", "physics"),
    ("house", "maintenance"),
)
BY: Final[tuple[ExportBy, ...]] = ("person", "cost-centre", "printer", "day", "release")


def drawn(random: Random, segments: list[RowSegment]) -> list[PagesDecided]:
    """Decisions on all that can be decided on, often too many pages, and undos of some of them."""
    found: list[PagesDecided] = []
    for charge in (one for segment in segments for one in segment.charges):
        at_us = LATER_US + random.randrange(50) * SECOND_US
        name = f"d{len(found)}"
        pages = random.randint(1, max(1, charge.unproven + 1))
        chosen = random.randrange(4)
        if chosen == 0:
            found.append(waived(name, at_us, charge, pages))
        elif chosen == 1:
            found.append(confirmed(name, at_us, charge, pages))
        else:
            found.append(moved(random, name, at_us, charge))
    found += gaps(random, segments, len(found))
    undos = [undone(f"u{nth}", one.origin.at_us + 60 * SECOND_US, one) for nth, one in enumerate(found)]
    return [*found, *random.sample(undos, len(undos) // 2), *random.sample(undos, len(undos) // 5)]


def moved(random: Random, name: str, at_us: int, charge: Charge) -> PagesDecided:
    sources: tuple[PagesFrom, ...] = ("unproven", "surplus", "unattributed")
    taken = random.choice(sources)
    to, to_name = random.choice(RECEIVERS[: 3 if taken == "unproven" else 4])
    key = charge.release
    said = PageDecision(
        *("move", random.randint(1, 4), "found-out", charge.channel, key.source, key.release),
        taken_from=taken,
        to=to,
        to_name=to_name,
    )
    return PagesDecided(charge.printer, origin(name, at_us), "warden", said)


def gaps(random: Random, segments: list[RowSegment], first: int) -> list[PagesDecided]:
    found = []
    strays = (one for segment in segments for one in segment.postings if dict(one.legs).get("house:stray"))
    for nth, one in enumerate(strays, first):
        to, to_name = random.choice(RECEIVERS)
        said = PageDecision(
            *("move", random.randint(1, 3), "found-out", one.channel),
            closes_us=one.closes_us,
            taken_from="stray",
            to=to,
            to_name=to_name,
        )
        found.append(PagesDecided(one.printer, origin(f"d{nth}", LATER_US + nth), "warden", said))
    return found


async def journal_with(segments: list[RowSegment], decided: list[PagesDecided]) -> MemoryJournal:
    journal = MemoryJournal()
    for printer in sorted({one.printer for one in segments}):
        await journal.replace(printer, None, [one for one in segments if one.printer == printer])
    for one in decided:
        await journal.append(one)
    return journal


def of(seed: int) -> tuple[list[RowSegment], list[PagesDecided]]:
    segments = [*segments_of(seed, "faults", "east"), *segments_of(seed + 1, "channels", "west")]
    return segments, drawn(Random(seed), segments)


@FEWER
@given(seed=SEEDS)
def test_every_decision_balances_and_takes_no_more_than_stands_there(seed: int) -> None:
    segments, decided = of(seed)
    rulings = asyncio.run(_rulings(segments, decided))
    assert sum(one.posting is not None for one in rulings) > 0
    settled: Counter[tuple[object, ...]] = Counter()
    taken: Counter[tuple[object, ...]] = Counter()
    for posting in in_force(rulings):
        assert sum(pages for _, pages in posting.legs) == 0
        if posting.charge is not None:
            charge = posting.charge
            settled[charge.printer, charge.release, charge.channel, charge.started_us] += -posting.unproven
            assert settled[charge.printer, charge.release, charge.channel, charge.started_us] <= charge.unproven
        closes_us = posting.decided.said.closes_us if posting.charge is None else posting.charge.closed_us
        for account, pages in posting.legs:
            if pages < 0 and account != "house:confirmed":
                taken[posting.printer, posting.channel, closes_us, account] += -pages
    stood: Counter[tuple[object, ...]] = Counter()
    for one in (posting for segment in segments for posting in segment.postings):
        for account, pages in one.legs:
            stood[one.printer, one.channel, one.closes_us, account] += pages
    assert all(pages <= stood[key] for key, pages in taken.items())


async def _rulings(segments: list[RowSegment], decided: list[PagesDecided]) -> list[Ruling]:
    return await ruled(await journal_with(segments, decided))


@FEWER
@given(seed=SEEDS)
def test_the_order_of_facts_decides_nothing(seed: int) -> None:
    segments, decided = of(seed)
    shuffled = Random(seed + 1).sample(decided, len(decided))
    first = asyncio.run(_rulings(segments, decided))
    assert asyncio.run(_rulings(segments, [*shuffled, *shuffled[:3]])) == first


@FEWER
@given(seed=SEEDS)
def test_an_undo_restores_exactly(seed: int) -> None:
    """Once each is undone, all is as if nobody had decided anything: in every export, and for the next decision."""
    segments, decided = of(seed)
    made = [one for one in decided if one.said.act != "undo"]
    undos = [undone(f"z{nth}", LATER_US * 2 + nth, one) for nth, one in enumerate(made)]
    period = periods_of([])[0]

    async def look() -> None:
        plain, undone_all = await journal_with(segments, []), await journal_with(segments, [*made, *undos])
        assert in_force(await ruled(undone_all)) == []
        for by in BY:
            assert (await exported(plain, period, by))[1] == (await exported(undone_all, period, by))[1]
        for one in made:
            assert (await ruling_on(undone_all, _again(one))).refused == (await ruling_on(plain, _again(one))).refused

    asyncio.run(look())


def _again(one: PagesDecided) -> PagesDecided:
    return PagesDecided(one.printer, origin(f"again-{one.origin.id}", LATER_US * 3), one.by, one.said)


@FEWER
@given(seed=SEEDS, edges=st.lists(st.integers(0, 400 * SECOND_US), max_size=3, unique=True))
def test_people_and_house_accounts_stay_what_the_meters_counted(seed: int, edges: list[int]) -> None:
    """For every grouping and period; every grouping charges and leaves unproven the same."""
    segments, decided = of(seed)

    async def look() -> None:
        plain, with_them = await journal_with(segments, []), await journal_with(segments, decided)
        for period in periods_of(edges):
            for by in BY:
                export, rows = await exported(with_them, period, by)
                assert export.adding.differences == {}
                _, before = await exported(plain, period, by)
                assert _meters(rows) == _meters(before)
            answers = [await totals_of(with_them, period, by) for by in ("person", "cost-centre", "printer")]
            assert all(answer.conserved for answer in answers)
            figures = {tuple(sorted(_figures(answer.rows()).items())) for answer in answers}
            for by in BY:
                figures.add(tuple(sorted(_figures((await exported(with_them, period, by))[1]).items())))
            assert len(figures) == 1

    asyncio.run(look())


def _meters(rows: list[ExportRow]) -> dict[tuple[str, str], int]:
    return {(row.channel, row.unit): row.pages for row in rows if row.kind == "total" and row.pages}


def _figures(rows: list[ExportRow]) -> dict[tuple[str, str], tuple[int, int]]:
    found: dict[tuple[str, str], tuple[int, int]] = {}
    for row in rows:
        if row.kind != "total" and row.figures is not None:
            charged, unproven = found.get((row.channel, row.unit), (0, 0))
            found[row.channel, row.unit] = (charged + row.figures.charged, unproven + row.figures.unproven)
    return {key: value for key, value in found.items() if any(value)}


@FEWER
@given(seed=SEEDS)
def test_no_row_of_the_projection_changes(seed: int) -> None:
    day = make_day(seed, 60)
    segments = rebuild(PRINTER, day.facts, day.open_run)
    decided = drawn(Random(seed), segments)
    at_once = [
        PagesDecided(one.printer, origin(one.origin.id, DAY_US + nth * SECOND_US), one.by, one.said)
        for nth, one in enumerate(decided)
    ]
    assert rebuild(PRINTER, [*day.facts, *at_once], day.open_run) == segments
