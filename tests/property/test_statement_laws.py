"""For everybody whom totals have a line of, the statement says the same: its sums are that line."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import Final

from hypothesis import given, settings
from hypothesis import strategies as st

from pagereeve.domain.accounts.totals import By, Total
from pagereeve.domain.facts.facts import Assigned, Fact
from pagereeve.domain.facts.people import PeopleMerged, PersonNamed
from pagereeve.domain.ledger import cost_centre_of
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.queries.statement_lines import Subject
from pagereeve.queries.statements import statement_of
from pagereeve.queries.totals import totals_of
from pagereeve.store.memory.journal import MemoryJournal
from tests.property.days import DAY_US
from tests.property.test_export_rows import periods_of
from tests.property.test_page_decision_laws import journal_with, of

FEWER: Final = settings(max_examples=max(15, settings().max_examples // 8))
SEEDS = st.integers(0, 2**32)
EDGES = st.lists(st.integers(0, 400 * SECOND_US), max_size=2, unique=True)
BY: Final[tuple[By, ...]] = ("person", "cost-centre", "printer")
FIRST, SECOND = "p-000000000001", "p-000000000002"
LISTS: Final[list[Fact]] = [
    PersonNamed(0, FIRST, "login", "anise", 0, "warden"),
    PersonNamed(0, SECOND, "login", "basil", 0, "warden"),
    PersonNamed(0, FIRST, "cost_centre", "physics", 0, "warden"),
    Assigned(DAY_US + 60 * SECOND_US, "chervil", "history"),
]


async def _statements_say_the_same(journal: MemoryJournal, edges: list[int]) -> None:
    for period in periods_of(edges):
        for by in BY:
            lines = (await totals_of(journal, period, by)).lines
            for (who, person), own in _by_subject(lines).items():
                if by == "person" and cost_centre_of(who) is not None:
                    continue
                known = await statement_of(journal, Subject(by, person or who), period)
                assert _figures(known.sums) == _figures(own)
                assert known.conserved
                for chart in known.charts:
                    spans = sum(charged for _, charged, _ in chart.spans)
                    assert spans == sum(
                        one.charged for one in own if (one.channel, one.unit) == (chart.channel, chart.unit)
                    )


def _by_subject(lines: tuple[Total, ...]) -> dict[tuple[str, str], list[Total]]:
    found: dict[tuple[str, str], list[Total]] = {}
    for line in lines:
        found.setdefault((line.who, line.person), []).append(line)
    return found


def _figures(lines: Sequence[Total]) -> dict[tuple[str, str], tuple[int, int | None, int | None, int, int]]:
    assert isinstance(lines, list)
    figures = {
        (one.channel, one.unit): (one.releases, one.released.pages, one.counted.pages, one.charged, one.unproven)
        for one in lines
    }
    return {key: known for key, known in figures.items() if any(known)}


@FEWER
@given(seed=SEEDS, edges=EDGES, merged=st.booleans())
def test_a_statement_s_sums_are_its_line_of_totals(seed: int, edges: list[int], *, merged: bool) -> None:
    """Whatever was decided, whoever gets pages of others, with lists of people and without."""
    segments, decided = of(seed)
    merges: list[Fact] = [PeopleMerged(1, SECOND, FIRST, "warden", "one")] if merged else []

    async def look() -> None:
        journal = await journal_with(segments, decided)
        await _statements_say_the_same(journal, edges)
        for fact in [*LISTS, *merges]:
            await journal.append(fact)
        await _statements_say_the_same(journal, edges)

    asyncio.run(look())
