"""Releases whose claim no count supports, or not whole: the newest first, in pages."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from pagereeve.domain.accounts.periods import Period
from pagereeve.ports.reads import Reads
from pagereeve.ports.releases import ReleaseFilter, ReleasePlace, ReleasesPage, VerdictAsked, place_of
from pagereeve.queries.releases import ReleasesAsked, releases_page

VERDICTS: Final[tuple[VerdictAsked, ...]] = ("unproven", "shortfall")
"""Those of which a part may be unproven."""


async def unproven_page(
    held: Reads, period: Period, person: str | None, limit: int, after: ReleasePlace | None = None
) -> ReleasesPage:
    """As queries.releases.releases_page: a page may be short although more follow. ``person`` as ReleasesAsked."""
    wanted = ReleaseFilter(from_us=period.from_us, to_us=period.to_us)
    pages = [
        await releases_page(held, ReleasesAsked(replace(wanted, verdict=one), person=person), limit, after)
        for one in VERDICTS
    ]
    # Beyond the nearest end of a page that goes on, one of them may hold what the other page has passed.
    ends = [page.after for page in pages if page.after is not None]
    end = max(ends, default=None)
    known = sorted((charge for page in pages for charge in page.charges), key=place_of, reverse=True)
    within = [one for one in known if end is None or place_of(one) >= end]
    shown = within[:limit]
    if len(within) > limit:
        end = place_of(shown[-1])
    return ReleasesPage([one for one in shown if one.unproven], end)
