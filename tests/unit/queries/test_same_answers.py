"""Two journals, asked the same: what is other in one of them is named by its question."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from pagereeve.domain.ledger import RowSegment
from pagereeve.queries import same_answers
from pagereeve.queries.same_answers import Compared, compared_answers
from pagereeve.store.memory.journal import MemoryJournal
from tests.journal_samples import segment

PRINTER = "printer-a"
MANY = 7


async def journal(segments: Sequence[RowSegment]) -> MemoryJournal:
    kept = MemoryJournal()
    await kept.replace(PRINTER, None, segments)
    return kept


async def compared(ours: Sequence[RowSegment], theirs: Sequence[RowSegment]) -> dict[str, Compared]:
    both = [await journal(one) for one in (ours, theirs)]
    return {one.question: one async for one in compared_answers(*both)}


def rows() -> list[RowSegment]:
    return [segment(PRINTER, number) for number in range(MANY)]


@pytest.fixture(autouse=True)
def few_on_a_page_of_one_journal(monkeypatch: pytest.MonkeyPatch) -> None:
    """As one that was moved, both have one id."""
    monkeypatch.setattr(same_answers, "PAGE_MAX", 3)
    monkeypatch.setattr("pagereeve.store.memory.seal.new_origin", lambda salts: "ab" * 16)


async def test_equal_journals_give_equal_answers_and_all_pages_are_looked_at() -> None:
    found = await compared(rows(), rows())
    assert [name for name, one in found.items() if not one.same] == []
    assert found["findings"].lines == MANY
    assert found["totals by person"].lines > 0
    assert set(found) == {
        "totals by person",
        "totals by cost-centre",
        "totals by printer",
        "findings",
        "closed periods",
    }


async def test_a_page_more_for_somebody_differs_in_all_totals_alone() -> None:
    theirs = rows()
    more = replace(theirs[4].charges[0], charged=theirs[4].charges[0].charged + 1)
    theirs[4] = replace(theirs[4], charges=(more, *theirs[4].charges[1:]))
    found = await compared(rows(), theirs)
    assert {name for name, one in found.items() if not one.same} >= {"totals by person", "totals by printer"}
    assert found["findings"].same


@pytest.mark.parametrize("change", [{"severity": "info"}, {"since_us": 5}, {"reason": "jam"}])
async def test_a_finding_of_the_last_page_that_is_other_is_seen(change: dict[str, object]) -> None:
    theirs = rows()
    theirs[-1] = replace(theirs[-1], findings=(replace(theirs[-1].findings[0], **change),))  # type: ignore[arg-type]
    found = await compared(rows(), theirs)
    assert {name for name, one in found.items() if not one.same} == {"findings"}


async def test_a_finding_that_is_missing_is_seen() -> None:
    theirs = rows()
    theirs[0] = replace(theirs[0], findings=())
    assert not (await compared(rows(), theirs))["findings"].same
    assert not (await compared(theirs, rows()))["findings"].same
