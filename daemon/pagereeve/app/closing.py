"""Closing a period: by the daemon that runs, or by a command on a journal that no daemon has open."""

from __future__ import annotations

from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final, Protocol
from zoneinfo import ZoneInfo

from pagereeve.app.clocks import SystemClock
from pagereeve.app.zone_database import zone_database
from pagereeve.domain.accounts.frozen import FrozenRow
from pagereeve.domain.accounts.own_periods import chosen
from pagereeve.domain.accounts.periods import Period, zone_of
from pagereeve.domain.projection.resume_point import PROJECTION_VERSION
from pagereeve.domain.values.fields import Fields
from pagereeve.domain.values.instants import FOREVER_US
from pagereeve.ports.closing import ClosedPeriod, Closing, NotClosed, PeriodCloser
from pagereeve.ports.reads import Reads
from pagereeve.queries.closing import ClosingLook, detailed_rows, look_before_close
from pagereeve.queries.costs import Prices
from pagereeve.queries.frozen_answers import answer_rows
from pagereeve.reports.closing import closed_json, hindered_text, trouble_text
from pagereeve.settings import Settings
from pagereeve.settings.rates import rates_of
from pagereeve.store.errors import CantOpen
from pagereeve.store.sqlite.journal import SqlJournal

REASON_MAX: Final = 500

ClosePeriod = Callable[[Any, str], Awaitable[Mapping[str, Any]]]
"""Gets a request as it came (ClosingRequest.body) and who asks; raises NotClosed or BadFact."""


@dataclass(frozen=True, slots=True)
class ClosingRequest:
    """``despite`` is the reason for closing it although something stands in the way; "" where nothing may."""

    period: Period
    despite: str = ""

    def body(self) -> dict[str, Any]:
        """Both ends, so that a daemon whose settings are others does not close something else under the name."""
        one = self.period
        members = {"period": one.name, "zone": one.zone.key, "from_us": one.from_us, "to_us": one.to_us}
        return members | ({"despite": self.despite} if self.despite else {})


class ClosableJournal(PeriodCloser, Protocol):
    def snapshot(self) -> AbstractAsyncContextManager[Reads]:
        """As ports.reads.Reads says."""
        ...


async def close_period(
    store: ClosableJournal, said: ClosingRequest, by: str, now_us: int, prices: Prices | None = None
) -> ClosedPeriod:
    """Look, and freeze what was looked at: all of one moment. ``prices``: None where the site has none.

    Raises NotClosed, JournalUnavailable.
    """
    period = said.period
    async with store.snapshot() as held:
        require_closable(await look_before_close(held, period, now_us), said.despite)
        seal = await held.seal_head()
        if seal is None:
            raise NotClosed(f"{period.name} can't be closed: the journal holds no fact yet")
        closing = Closing(
            name=period.name,
            zone=period.zone.key,
            database=zone_database(period.zone.key),
            from_us=period.from_us,
            to_us=period.to_us,
            at_us=now_us,
            by=by,
            reason=said.despite,
            journal=seal.origin,
            size=seal.size,
            head=seal.head,
            version=PROJECTION_VERSION,
        )
        touched = max((one.number for one in await held.closed_touched()), default=0)
        return await store.close_period(closing, _rows(held, period, prices), touched)


async def _rows(held: Reads, period: Period, prices: Prices | None) -> AsyncIterator[FrozenRow]:
    async for row in answer_rows(held, period, prices):
        yield row
    async for row in detailed_rows(held, period):
        yield row


def require_closable(look: ClosingLook, despite: str) -> None:
    """Raises NotClosed."""
    if look.trouble is not None:
        raise NotClosed(trouble_text(look.period, look.trouble))
    if look.hindrances and not despite:
        raise NotClosed(hindered_text(look.period, look.hindrances))


async def close_by_hand(path: Path, said: ClosingRequest, by: str, prices: Prices | None = None) -> ClosedPeriod:
    """In the journal at ``path``, which no daemon may have open. Raises NotClosed, CantOpen."""
    if not path.is_file():  # noqa: ASYNC240 - once, at the start
        raise CantOpen(path, "there is no such file; the daemon creates it at its first start")
    clock = SystemClock()
    journal = await SqlJournal.open(path, clock)
    try:
        return await close_period(journal, said, by, clock.now_us(), prices)
    finally:
        await journal.close()


def closer(store: ClosableJournal, settings: Callable[[], Settings], now_us: Callable[[], int]) -> ClosePeriod:
    """For the daemon's local socket. ``settings`` gives those in force: a reload changes zone and periods."""
    return partial(_close_asked, store, settings, now_us)


async def _close_asked(
    store: ClosableJournal, settings: Callable[[], Settings], now_us: Callable[[], int], body: Any, by: str
) -> Mapping[str, Any]:
    current = settings()
    said = _request_of(body, current)
    return closed_json(await close_period(store, said, by, now_us(), prices_of(current)))


def prices_of(settings: Settings) -> Prices | None:
    """A card begins on the site's day. None where the settings have no prices."""
    if not settings.rates:
        return None
    rates = rates_of(settings.rates, ZoneInfo(settings.site.zone))
    return Prices(rates, {one.name: one.price_class for one in settings.printers})


def _request_of(body: Any, settings: Settings) -> ClosingRequest:
    """Raises BadFact, BadQuestion; NotClosed where the daemon's own settings say other ends."""
    fields = Fields(body, "")
    name, zone = fields.text("period", 64), zone_of(fields.text("zone", 64))
    ends = (fields.integer("from_us", 0, FOREVER_US), fields.integer("to_us", 0, FOREVER_US))
    despite = fields.optional_text("despite", REASON_MAX) or ""
    fields.finish()
    own = [one.own_period() for one in settings.periods]
    period = chosen(name, None, None, zone, own)
    if zone.key != settings.site.zone or ends != (period.from_us, period.to_us):
        raise NotClosed(
            f"{name} can't be closed: the daemon runs with another [site] zone or [[periods]] than your settings file "
            "says; reload or restart it"
        )
    return ClosingRequest(period, despite)
