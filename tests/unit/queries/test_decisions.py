"""Whether the rows of a finding show a decision: what a command waits for before it returns."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest

from pagereeve.app.decision_shown import tell_until_shown
from pagereeve.app.decisions import DecisionRequest
from pagereeve.domain.facts.facts import Decided
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.findings import finding as find
from pagereeve.domain.ledger import Charge, Finding, ReleaseKey, RowSegment
from pagereeve.queries.decisions import DecisionsShown, decisions_on, is_followed
from pagereeve.store.memory.journal import MemoryJournal
from pagereeve.store.sqlite.files import JOURNAL_NAME
from tests.histories import PRINTER, origin

KEY = ReleaseKey("/release-server", "r-1")
FINDING = find.make("unknown-printer", PRINTER, (), 0, shown.not_registered(PRINTER), [shown.release(KEY)])


def decided(nth: int) -> Decided:
    return Decided(PRINTER, origin(f"d-{nth}", nth), FINDING.id, "close", "root")


def charge(printer: str, release: str) -> Charge:
    key = replace(KEY, release=release)
    return Charge(printer, key, "anise", "job-1", "total", None, 0, None, None, 4, None, 0, 4, None, None, None)


async def journal_with(*findings: Finding, charges: tuple[Charge, ...] = ()) -> MemoryJournal:
    journal = MemoryJournal()
    await journal.replace(PRINTER, None, [RowSegment(PRINTER, 0, None, findings=findings)])
    for nth, one in enumerate(charges):
        await journal.replace(one.printer, None, [RowSegment(one.printer, nth, None, charges=(one,))])
    return journal


async def test_a_finding_with_a_decision_more_shows_it_and_one_that_is_gone_too() -> None:
    before = await decisions_on(await journal_with(FINDING), FINDING.id)
    assert before == DecisionsShown(0, (KEY,))
    once = find.decided(FINDING, [decided(1)])
    for findings, seen in (((FINDING,), False), ((once,), True), ((), True)):
        assert await is_followed(await journal_with(*findings), FINDING.id, before) is seen
    # A second decision is not shown by the first.
    known = await decisions_on(await journal_with(once), FINDING.id)
    assert not await is_followed(await journal_with(once), FINDING.id, known)
    twice = find.decided(FINDING, [decided(1), decided(2)])
    assert await is_followed(await journal_with(twice), FINDING.id, known)


@pytest.mark.parametrize(
    ("charges", "seen"),
    [
        ((), False),
        ((charge("library", "r-1"),), False),
        ((charge("elsewhere", "r-1 at library"),), False),
        ((charge("library", "r-1 at library"),), True),
    ],
)
async def test_booked_releases_must_have_their_rows_where_they_were_booked(
    charges: tuple[Charge, ...], seen: bool
) -> None:
    journal = await journal_with(charges=charges)
    assert await is_followed(journal, FINDING.id, DecisionsShown(0, (KEY,)), "library") is seen


async def test_who_cannot_read_the_journal_waits_for_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[str] = []
    monkeypatch.setattr("pagereeve.app.decision_shown.tell_daemon", lambda _, said: told.append(said.finding))
    said = DecisionRequest(FINDING.id, "close")
    for journal in (None, tmp_path / JOURNAL_NAME):
        assert await asyncio.to_thread(tell_until_shown, tmp_path / "daemon.sock", journal, said)
    assert told == [FINDING.id, FINDING.id]
