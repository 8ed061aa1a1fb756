"""Pages about findings: the dearest first, filtered by links and a form, told without names to who may not see them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import pytest

from pagereeve.console.pages.findings import SHOWN
from pagereeve.domain.ledger import Finding, RowSegment
from pagereeve.store.memory.journal import MemoryJournal
from tests.asking import READER, asking
from tests.journal_samples import NOON_US, SECOND_US, finding, read

HOSTILE: Final = "<script>alert(1)</script>"


async def journal(*findings: Finding) -> MemoryJournal:
    kept = MemoryJournal()
    for printer in {one.printer for one in findings}:
        mine = tuple(one for one in findings if one.printer == printer)
        await kept.replace(printer, None, [RowSegment(printer, NOON_US, None, findings=mine)])
    await kept.append(read(1, "hall"))
    return kept


def of(number: int, pages: int | None, **changes: object) -> Finding:
    return replace(finding("hall", number), id=f"f-{number}", pages=pages, **changes)  # type: ignore[arg-type]


def listed(text: str) -> list[str]:
    return re.findall(r"/findings/(f-\d+)", text)


async def test_those_about_the_most_pages_come_first_then_the_worst_then_the_oldest() -> None:
    kept = await journal(
        of(1, None, severity="critical"),
        of(2, 3),
        of(3, -20),
        of(4, 3, severity="critical"),
        of(5, 3, since_us=NOON_US - SECOND_US),
        of(6, 90, state="closed"),
    )
    async with asking(kept, READER) as client:
        assert listed((await client.get("/findings")).text) == ["f-3", "f-4", "f-5", "f-2", "f-1"]
        everything = (await client.get("/findings", params={"state": "any"})).text
    assert listed(everything)[0] == "f-6"
    assert "119 pages are at stake" in everything


async def pages_of(kept: MemoryJournal, link: str | None) -> Sequence[str]:
    seen: list[str] = []
    async with asking(kept) as client:
        while link is not None:
            text = (await client.get(link)).text
            seen += listed(text)
            found = re.search(r'href="([^"]+)" rel="next"', text)
            link = None if found is None else found[1].replace("&amp;", "&")
    return seen


async def test_a_long_list_has_parts_and_none_is_shown_twice() -> None:
    kept = await journal(*(of(number, number % 7) for number in range(2 * SHOWN + 3)))
    seen = await pages_of(kept, "/findings?printer=hall")
    assert len(seen) == len(set(seen)) == 2 * SHOWN + 3


async def test_filters_are_a_form_whose_empty_fields_ask_for_nothing() -> None:
    kept = await journal(of(1, 1), of(2, 2, kind="shortfall"), of(3, 3, state="explained"))
    async with asking(kept) as client:
        empty = await client.get("/findings?state=&kind=&printer=&period=")
        one_kind = await client.get("/findings?kind=shortfall")
        period = await client.get("/findings?state=any&period=2025-12")
    assert listed(empty.text) == ["f-2", "f-1"]
    assert listed(one_kind.text) == ["f-2"]
    # The counts of the other kinds stand beside it: one click away.
    assert "/findings?kind=surplus" in one_kind.text
    assert listed(period.text) == []
    assert "No finding is known that began in 2025-12" in period.text


async def test_an_empty_list_teaches_and_a_wrong_name_is_answered_with_the_nearest() -> None:
    async with asking(MemoryJournal()) as client:
        empty = (await client.get("/findings")).text
    assert "What would stand here?" in empty
    assert "no fact is stored yet" in empty
    async with asking(await journal(of(1, 1))) as client:
        wrong = (await client.get("/findings?printer=hal")).text
    assert 'Did you mean <a href="/findings?printer=hall">hall</a>?' in wrong


@pytest.mark.parametrize("query", ["state=ajar", "after=x", "period=soon", "colour=red"])
async def test_a_question_that_is_wrong_is_answered_with_what_is_wrong(query: str) -> None:
    async with asking(await journal(of(1, 1))) as client:
        answer = await client.get(f"/findings?{query}")
    assert (answer.status_code, "text/html" in answer.headers["content-type"]) == (400, True)
    assert query.partition("=")[0] in answer.text


async def test_what_was_asked_for_is_never_markup() -> None:
    async with asking(await journal(of(1, 1))) as client:
        for name in ("kind", "printer"):
            text = (await client.get("/findings", params={name: HOSTILE})).text
            assert HOSTILE not in text
            assert "alert(1)" in text
