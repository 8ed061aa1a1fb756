"""Facts that got another date, or are void: a file of them leads to the journal's ledger, in any order of its lines."""

from __future__ import annotations

import asyncio
import io
from random import Random

from hypothesis import given, settings
from hypothesis import strategies as st

from pagereeve.domain.facts.facts import Fact, PlateauRead, ReadFailed, Redated
from pagereeve.domain.facts.redating import dated_us, in_force
from pagereeve.domain.projection.projector import Ledger, rebuild
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.reports.facts_file import FactLine, fact_lines, line_bytes, read_lines
from pagereeve.reports.projected import FactsInHand, project_all
from pagereeve.store.memory.journal import MemoryJournal
from tests.property.days import PRINTER, Day, make_day

SEEDS = st.integers(0, 2**32)
BY_S = (None, None, 1, -1, 45, -45, 3_600, -7_200)
NAMES = st.integers(1, 4)


async def kept(day: Day, seed: int, times: int) -> MemoryJournal:
    """The day's facts in a journal, and so many words on their dates between them."""
    journal, random = MemoryJournal(), Random(seed)
    places = sorted(random.randrange(len(day.steps) + 1) for _ in range(times))
    seen: list[int] = []
    for place, (fact, run) in enumerate([*day.steps, (None, day.open_run)]):
        for _ in range(places.count(place)):
            await journal.redate([said(random, seen, len(places))])
        if isinstance(fact, PlateauRead | ReadFailed) and run is not None:
            await journal.observe(PRINTER, [fact], run)
        elif fact is not None:
            await journal.append(fact)
        elif run is not None:
            await journal.observe(PRINTER, [], run)
        seen += [at_us for one in (fact, run) if one is not None and (at_us := dated_us(one)) is not None]
    return journal


def said(random: Random, seen: list[int], nth: int) -> Redated:
    """Of a span that begins or ends at what was seen; some are said while the clock is off."""
    first = random.choice(seen or [0])
    last = first + random.choice([1, 20, 600, 90_000]) * SECOND_US
    by_s = random.choice(BY_S)
    at_us = max(seen, default=0) + random.choice([-1, 1]) * nth * 3_600 * SECOND_US
    return Redated(PRINTER, at_us, first, last, None if by_s is None else by_s * SECOND_US, "warden", "the clock")


async def ledgers(seed: int, times: int) -> tuple[Ledger, Ledger, list[Fact], list[Fact]]:
    journal = await kept(make_day(seed, life=seed % 2 == 0), seed, times)
    facts = [stored.fact async for stored in journal.facts(PRINTER)]
    run = await journal.open_run(PRINTER)
    stands = Ledger.of(rebuild(PRINTER, facts, None if run is None else run.fact))
    lines = [line async for line in fact_lines(journal)]
    mixed = [*lines, *lines]
    Random(seed).shuffle(mixed)
    held = FactsInHand.of(read_lines(io.BytesIO(b"\n".join(map(line_bytes, mixed)))))
    count = in_force((line.seq, line.fact) for line in lines if not line.open)
    return stands, project_all(held)[PRINTER].ledger, facts, count


@given(SEEDS, NAMES)
@settings(max_examples=40)
def test_a_file_of_redated_facts_projects_as_the_journal_in_any_order_and_twice(seed: int, times: int) -> None:
    stands, projected, facts, count = asyncio.run(ledgers(seed, times))
    assert count == facts
    assert projected == stands


@given(SEEDS)
@settings(max_examples=40)
def test_what_counts_is_a_function_of_the_set_also_where_numbers_are_missing(seed: int) -> None:
    random = Random(seed)
    day = make_day(seed, 12)
    seen = [at_us for fact in day.facts if (at_us := dated_us(fact)) is not None]
    lines: list[tuple[int | None, Fact]] = [*enumerate(day.facts, 1), (None, said(random, seen, 1))]
    lines += [(random.choice([None, 3, 9]), said(random, seen, nth)) for nth in range(3)]
    counts = sorted(map(repr, in_force(lines)))
    lines += [*lines, *((None, fact) for number, fact in lines if number is not None)]
    random.shuffle(lines)
    assert sorted(map(repr, in_force(lines))) == counts


def test_every_fact_that_is_void_is_in_the_file_and_in_no_ledger() -> None:
    async def story() -> tuple[list[FactLine], list[Fact]]:
        day = make_day(7)
        journal = await kept(day, 7, 0)
        before = [one async for one in fact_lines(journal)]
        await journal.redate([Redated(PRINTER, 1, 0, 2**52, None, "warden", "another printer was read")])
        after = [one async for one in fact_lines(journal)]
        assert [one for one in before if not one.open] == after[:-1]
        return after, [stored.fact async for stored in journal.facts(PRINTER)]

    lines, counts = asyncio.run(story())
    assert any(isinstance(line.fact, PlateauRead) for line in lines)
    assert not any(isinstance(fact, PlateauRead) for fact in counts)
    assert in_force((line.seq, line.fact) for line in lines) == counts
