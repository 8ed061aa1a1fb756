"""Decisions of a limited credential that come at once: in every store, and at several workers of one database."""

from __future__ import annotations

import asyncio
from contextlib import AsyncExitStack

import pytest

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.domain.facts.facts import Origin, PagesDecided
from pagereeve.domain.facts.page_decision import DECISIONS_SOURCE, PageDecision
from pagereeve.engine.intake.decision_limits import DecisionLimits
from pagereeve.ports.decisions import DecidedMeanwhile
from pagereeve.ports.intake import DecidedEnough
from pagereeve.ports.journal import Receipt
from pagereeve.ports.store import Store
from pagereeve.store.postgres.address import Address
from pagereeve.store.postgres.journal import PostgresJournal
from tests.journal_samples import NOON_US, started

WORKERS, EACH = 3, 8


def decided(name: str, pages: int = 6, by: str = "porter", printer: str = "p") -> PagesDecided:
    origin = Origin(DECISIONS_SOURCE, name, NOON_US, NOON_US)
    return PagesDecided(printer, origin, by, PageDecision("waive", pages, "jam", "total", "/server", "r"))


async def test_a_decision_is_refused_where_its_author_decided_since_the_count(store: Store) -> None:
    await store.append(started("e1"))
    counted = await store.last_position()
    assert await store.append_counted(decided("d-1"), counted) == Receipt("stored", 1)
    await store.append(started("e2"))
    # Somebody else's does not matter, nor does this one where it is sent again.
    assert await store.append_counted(decided("d-2", by="warden"), counted) == Receipt("stored", 2)
    assert await store.append_counted(decided("d-1"), counted) == Receipt("duplicate", 1)
    with pytest.raises(DecidedMeanwhile):
        await store.append_counted(decided("d-3", printer="q"), counted)
    assert await store.append_counted(decided("d-3", printer="q"), await store.last_position()) == Receipt("stored", 1)
    assert [one.origin.id async for one in store.page_decisions()] == ["d-1", "d-2", "d-3"]


async def test_of_decisions_in_one_group_one_passes_and_nothing_else_is_refused_for_it(store: Store) -> None:
    counted = await store.last_position()
    came = await asyncio.gather(
        *(store.append_counted(decided(f"d-{nth}"), counted) for nth in range(3)),
        store.append(started("e1", "printer-a")),
        return_exceptions=True,
    )
    assert [type(one).__name__ for one in came] == ["Receipt", "DecidedMeanwhile", "DecidedMeanwhile", "Receipt"]


@pytest.mark.parametrize("in_turn", [True, False], ids=["in turn", "by clashes"])
async def test_all_workers_together_let_no_more_pass_than_the_limit(postgres_journal: Address, in_turn: bool) -> None:
    async with AsyncExitStack() as held:
        journals = []
        for _ in range(WORKERS):
            journal = await PostgresJournal.open(postgres_journal, SystemClock(), SystemEntropy(), in_turn=in_turn)
            held.push_async_callback(journal.close)
            journals.append(journal)
        limits = [DecisionLimits(one, lambda: NOON_US) for one in journals]

        async def decide(nth: int) -> bool:
            # Each on another printer's timeline: none of their heads tells of the others.
            said = decided(f"d-{nth}", printer=f"printer-{nth}")
            try:
                await limits[nth % WORKERS].stored(said, 6 * 5 + 1)
            except DecidedEnough:
                return False
            return True

        passed = await asyncio.gather(*map(decide, range(WORKERS * EACH)))
        assert sum(passed) == 5
        assert len([one async for one in journals[0].page_decisions()]) == 5
