"""Two figures of one surplus, worked out on paper: 9 to 12 sides expected, 27 counted, 9 charged."""

from __future__ import annotations

import pytest

from pagereeve.domain.facts.ticket import Ticket
from pagereeve.domain.findings.surplus import booked_of
from pagereeve.ports.findings import FindingFilter
from pagereeve.queries import uncharged
from pagereeve.queries.findings import finding_of, findings_of
from pagereeve.queries.uncharged import uncharged_of
from pagereeve.reports.findings import findings_text
from pagereeve.store.memory.journal import MemoryJournal
from tests.histories import ended, journal_of, policy, reading, started
from tests.unit.domain.accounts.test_totals import UTC

TICKET = Ticket(pages=3, copies=3, sides="two-sided-long-edge", number_up=1, separator_sheets=0)
SAID = "15 more than the most that was expected, and 18 more than what is charged for"


async def surplus() -> MemoryJournal:
    """The surplus of a release, and four stray pages long after it."""
    release = (started("r-1", 0, "anise", TICKET), ended("r-1", 3))
    return await journal_of((policy(), reading(-60, -1, 100), *release, reading(9, 60, 127), reading(900, 960, 131)))


async def test_a_surplus_is_listed_with_what_the_ledger_books_of_it() -> None:
    journal = await surplus()
    answer = await findings_of(journal, FindingFilter(), 10)
    kinds = {one.id: (one.kind, one.pages) for one in answer.findings}
    assert {kinds[name]: pages for name, pages in answer.booked.items()} == {("surplus", 15): 18}
    assert findings_text(answer.findings, UTC, answer.booked).count(SAID) == 1
    (name,) = answer.booked
    one = await finding_of(journal, name)
    assert (one.booked, one.count("open"), one.counts[0].too_many) == ({name: 18}, 1, 15)


async def test_without_its_posting_nothing_is_said_of_the_ledger(monkeypatch: pytest.MonkeyPatch) -> None:
    journal = await surplus()
    found = (await findings_of(journal, FindingFilter(), 10)).findings
    assert booked_of(found, ()) == {}
    assert SAID not in findings_text(found, UTC)
    monkeypatch.setattr(uncharged, "LOOKED_UP_MAX", 0)
    assert await uncharged_of(journal, found) == {}
