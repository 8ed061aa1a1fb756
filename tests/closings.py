"""Closing periods of a journal in this process, as the daemon does by another one."""

from __future__ import annotations

from collections.abc import Callable

from pagereeve.app.closing import ClosableJournal, ClosingRequest, close_period
from pagereeve.app.closings import Closings
from pagereeve.console.api.site import AskedSite
from pagereeve.ports.closing import ClosedPeriod
from pagereeve.queries.costs import Prices


def closings_in(journal: ClosableJournal, now_us: Callable[[], int], site: AskedSite | None = None) -> Closings:
    known = site or AskedSite()
    prices = Prices(known.prices, known.price_classes)

    async def close(said: ClosingRequest, by: str) -> ClosedPeriod:
        return await close_period(journal, said, by, now_us(), prices)

    return Closings(close, now_us, known.chosen)
