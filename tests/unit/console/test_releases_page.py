"""``/releases``: each release once through all pages, filtered, and named to who may see names."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Final

import pytest

from pagereeve.domain.ledger import RowSegment, Verdict
from pagereeve.store.memory.journal import MemoryJournal
from tests.asking import ACCOUNTING, READER, asking
from tests.journal_samples import NOON_US, SECOND_US, charge, key

NUMBER: Final = 120
HOSTILE: Final = "<i>u</i>"


async def journal() -> MemoryJournal:
    kept = MemoryJournal()
    charges = tuple(
        replace(
            charge("hall", key(nth), NOON_US - nth * SECOND_US),
            owner=HOSTILE,
            verdict=Verdict.SURPLUS if nth % 2 else None,
        )
        for nth in range(NUMBER)
    )
    await kept.replace("hall", None, [RowSegment("hall", NOON_US, None, charges=charges)])
    return kept


def named(text: str) -> list[str]:
    return re.findall(r'href="/releases/([^"?]+)\?source', text)


async def test_each_release_is_on_one_page() -> None:
    seen: list[str] = []
    async with asking(await journal(), READER) as client:
        path: str | None = "/releases"
        while path is not None:
            text = (await client.get(path)).text
            seen += named(text)
            following = re.search(r'href="([^"]+)" rel="next"', text)
            path = None if following is None else following[1].replace("&amp;", "&")
    assert len(seen) == len(set(seen)) == NUMBER


async def test_filters_hold_on_the_next_page_too() -> None:
    async with asking(await journal(), READER) as client:
        text = (await client.get("/releases?verdict=surplus&printer=hall")).text
        assert text.count('<td data-label="Verdict">surplus</td>') == 50
        following = re.search(r'href="([^"]+)" rel="next"', text)
        assert following is not None
        text = (await client.get(following[1].replace("&amp;", "&"))).text
        assert (text.count('<td data-label="Verdict">surplus</td>'), text.count('">open</td>')) == (10, 0)
        assert "No release is like that" in (await client.get("/releases?printer=nowhere")).text


async def test_who_is_named_to_whom() -> None:
    async with asking(await journal(), READER) as client:
        text = (await client.get("/releases")).text
        assert "&lt;i&gt;" not in text
        assert 'name="person"' not in text
        assert (await client.get("/releases?person=u")).status_code == 403
    async with asking(await journal(), ACCOUNTING) as client:
        text = (await client.get("/releases")).text
        assert "&lt;i&gt;u&lt;/i&gt;" in text
        assert HOSTILE not in text
        assert (await client.get("/releases?person=u")).status_code == 200


@pytest.mark.parametrize("query", ["period=nonsense", "after=x", "printre=hall"])
async def test_what_can_not_be_meant_is_a_page_that_says_so(query: str) -> None:
    async with asking(MemoryJournal()) as client:
        answer = await client.get(f"/releases?{query}")
    assert (answer.status_code, "text/html" in answer.headers["content-type"]) == (400, True)


async def test_an_empty_page_teaches() -> None:
    async with asking(MemoryJournal()) as client:
        assert "start notice" in (await client.get("/releases")).text
