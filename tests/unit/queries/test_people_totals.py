"""Totals and costs by person and cost centre. All people are invented; the figures are those of public reports.

Two logins of one person, 10 and 5 pages: grokability/snipe-it#15005. Moved in mid-month, 30 pages before and 20 after,
where only the latest cost centre was kept: vageeshs7/ot-personaldata#55.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import replace

from rich.console import Console

from pagereeve.domain.accounts.own_periods import chosen
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.accounts.rates import Rates
from pagereeve.domain.accounts.totals import By
from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.facts.people import MergeUndone, PeopleMerged, PersonNamed, PersonWord
from pagereeve.domain.ledger import Charge, RowSegment
from pagereeve.domain.values.instants import from_text
from pagereeve.queries.costs import costs_of
from pagereeve.queries.exports import export_of
from pagereeve.queries.totals import TotalsAnswer, totals_of
from pagereeve.reports.totals import answer_json, rows_table, spelling_lines
from pagereeve.store.memory.journal import MemoryJournal
from tests.exports import UTC, rows_as_csv
from tests.unit.domain.accounts.test_totals import charge
from tests.unit.queries.test_costs import CARD

ONE, OTHER = "p-00000000000a", "p-00000000000b"
NOVEMBER: Period = chosen("2026-11", None, None, UTC)
MIDDLE_US = from_text("2026-11-15T00:00:00Z")


def said(person: str, word: PersonWord, text: str, from_us: int = 0, until_us: int | None = None) -> PersonNamed:
    return PersonNamed(from_us, person, word, text, 1, "warden", until_us)


def pages(owner: str, day: str, number: int) -> Charge:
    return charge(owner, f"2026-11-{day}T09:00:00Z", number, number, number)


async def journal_of(charges: Sequence[Charge], *facts: Fact) -> MemoryJournal:
    journal = MemoryJournal()
    anchored = enumerate(sorted(charges, key=lambda one: one.started_us))
    segments = [RowSegment("library", at, None, charges=(replace(one, printer="library"),)) for at, one in anchored]
    await journal.replace("library", None, segments)
    for fact in facts:
        await journal.append(fact)
    return journal


async def charged(journal: MemoryJournal, by: By) -> dict[tuple[str, str], int]:
    answer = await totals_of(journal, NOVEMBER, by)
    return {(one.who, one.name): one.charged for one in answer.lines}


async def test_two_logins_merged_in_mid_month_are_one_row_and_two_again() -> None:
    facts = [said(ONE, "login", "u1"), said(OTHER, "login", "u2"), said(ONE, "name", "Anise Adler")]
    journal = await journal_of([pages("u1", "03", 10), pages("U2", "20", 5), pages("u3", "21", 7)], *facts)
    before = {("u1", "Anise Adler"): 10, ("U2", ""): 5, ("u3", ""): 7}
    assert await charged(journal, "person") == before
    await journal.append(PeopleMerged(MIDDLE_US, OTHER, ONE, "warden", "two accounts"))
    assert await charged(journal, "person") == {("u1", "Anise Adler"): 15, ("u3", ""): 7}
    answer = await totals_of(journal, NOVEMBER, "person")
    assert spelling_lines(answer.lines) == ["Anise Adler is one person, also written U2"]
    assert "Anise Adler (u1, U2)" in shown(answer)
    first = answer_json(answer)["totals"][0]
    assert (first["person"], first["id"], first["name"], first["also_written"]) == ("u1", ONE, "Anise Adler", ["U2"])
    await journal.append(MergeUndone(MIDDLE_US + 1, OTHER, ONE, "warden", "two people"))
    assert await charged(journal, "person") == before


def shown(answer: TotalsAnswer) -> str:
    console = Console(file=io.StringIO(), width=200)
    console.print(rows_table("person", answer.rows()))
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


async def test_a_transfer_in_mid_month_splits_by_the_instant_at_which_the_window_opened() -> None:
    moved = [said(ONE, "cost_centre", "CC1", 0, MIDDLE_US), said(ONE, "cost_centre", "CC2", MIDDLE_US)]
    charges = [pages("u1", "14", 30), pages("u1", "15", 20)]
    journal = await journal_of(charges, said(ONE, "login", "u1"), *moved)
    assert await charged(journal, "cost-centre") == {("CC1", ""): 30, ("CC2", ""): 20}
    assert await charged(journal, "person") == {("u1", ""): 50}


async def test_a_login_passed_on_is_a_row_of_each_of_the_two() -> None:
    facts = [
        *(said(ONE, "login", "u1", 0, MIDDLE_US), said(OTHER, "login", "u1", MIDDLE_US)),
        *(said(ONE, "name", "Anise Adler"), said(OTHER, "name", "Basil Byrd")),
    ]
    journal = await journal_of([pages("u1", "14", 30), pages("u1", "15", 20)], *facts)
    assert await charged(journal, "person") == {("u1", "Anise Adler"): 30, ("u1", "Basil Byrd"): 20}
    costs = await costs_of(journal, NOVEMBER, "person", Rates([CARD]), {})
    assert [(one.who, one.name, one.pages) for one in costs.lines] == [
        ("u1", "Anise Adler", {"total": 30}),
        ("u1", "Basil Byrd", {"total": 20}),
    ]


async def test_an_export_has_the_name_beside_the_login_and_every_login() -> None:
    facts = [said(ONE, "login", "u1"), said(ONE, "login", "u2"), said(ONE, "name", "Anise Adler")]
    journal = await journal_of([pages("u1", "03", 10), pages("u2", "20", 5), pages("u3", "21", 7)], *facts)
    async with journal.snapshot() as held:
        rows = [row async for row in (await export_of(held, NOVEMBER, "person")).rows]
    lines = [line.split(",") for line in rows_as_csv("person", rows).decode().splitlines()]
    assert lines[0][:5] == ["person", "name", "id", "logins", "kind"]
    assert "u1,Anise Adler," + ONE + ',"u1, u2",people' in rows_as_csv("person", rows).decode()
    assert ["u3", "", "", "u3", "people"] in [line[:5] for line in lines]
