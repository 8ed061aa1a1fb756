"""Unproven releases in pages: none is left out and none comes twice, however short the pages are."""

from __future__ import annotations

import pytest

from pagereeve.queries.unproven import unproven_page
from tests.api_world import SITE, full_journal


@pytest.mark.parametrize("limit", [1, 2, 50])
async def test_all_of_them_come_once_the_newest_first(limit: int) -> None:
    journal, period = await full_journal(), SITE.chosen("2026-11")
    wanted = [one.release.release async for one in journal.charges(period.from_us, period.to_us) if one.unproven]
    assert len(wanted) == 2
    found, after, pages = [], None, 0
    while pages == 0 or after is not None:
        page = await unproven_page(journal, period, None, limit, after)
        assert len(page.charges) <= limit
        found += [one.release.release for one in page.charges]
        after, pages = page.after, pages + 1
    assert found == wanted[::-1]
