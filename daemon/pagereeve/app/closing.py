"""Closing a period: by the daemon that runs, or by a command on a journal that no daemon has open."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from dataclasses import dataclass
from typing import Any, Final, Protocol
from zoneinfo import ZoneInfo

from pagereeve.app.clocks import SystemClock
from pagereeve.app.journals import JournalPlace, open_alone
from pagereeve.app.zone_database import zone_database
from pagereeve.domain.accounts.frozen import FrozenRow
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.projection.resume_point import PROJECTION_VERSION
from pagereeve.ports.closing import ClosedPeriod, Closing, ClosingAttempt, Hindered, NotClosed, PeriodCloser
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.ports.reads import Reads
from pagereeve.queries.closing import ClosingLook, detailed_rows, look_before_close
from pagereeve.queries.costs import Prices
from pagereeve.queries.frozen_answers import answer_rows
from pagereeve.reports.closing import concern_text, hindered_text, trouble_text
from pagereeve.settings import Settings
from pagereeve.settings.rates import rates_of
from pagereeve.store.records.frozen_rows import packed_rows

REASON_MAX: Final = 500


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


class OneMoment(Protocol):
    def snapshot(self) -> AbstractAsyncContextManager[Reads]:
        """As ports.reads.Reads says."""
        ...


class ClosableJournal(PeriodCloser, OneMoment, Protocol): ...


@dataclass(frozen=True, slots=True)
class Packed:
    """Implements ports.closing.PackedRows."""

    rows: int
    sha256: str
    parts: Sequence[bytes]


async def close_period(
    store: ClosableJournal, said: ClosingRequest, by: str, now_us: int, prices: Prices | None = None
) -> ClosedPeriod:
    """Look, and freeze what was looked at: all of one moment. ``prices``: None where the site has none.

    Raises NotClosed, JournalUnavailable.
    """
    async with begun(store, said.period) as attempt, store.snapshot() as held:
        closing, touched = await _looked_at(held, said, by, now_us)
        return await store.close_period(closing, _rows(held, said.period, prices), touched, attempt)


@asynccontextmanager
async def begun(store: PeriodCloser, period: Period) -> AsyncIterator[ClosingAttempt]:
    """Before anything is looked at: what is written meanwhile is noted. What came to nothing leaves nothing."""
    attempt = await store.begin_closing(period.name, period.from_us, period.to_us)
    try:
        yield attempt
    except (NotClosed, JournalUnavailable):
        await store.give_up_closing(attempt)
        raise


async def packed_period(
    reads: OneMoment, said: ClosingRequest, by: str, now_us: int, prices: Prices | None = None
) -> tuple[Closing, Packed, int]:
    """The same up to what is stored, for a process that only reads: what PeriodCloser.close_packed takes."""
    async with reads.snapshot() as held:
        closing, touched = await _looked_at(held, said, by, now_us)
        made = await packed_rows(_rows(held, said.period, prices))
    return closing, Packed(made.rows, made.sha256, made.parts), touched


async def _looked_at(held: Reads, said: ClosingRequest, by: str, now_us: int) -> tuple[Closing, int]:
    """What is to be closed, and up to which Touch its rows are known. Raises NotClosed."""
    period = said.period
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
    return closing, max((one.number for one in await held.closed_touched()), default=0)


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
        texts = [concern_text(one) for one in look.hindrances]
        raise Hindered(hindered_text(look.period, look.hindrances), texts)


async def close_by_hand(
    place: JournalPlace, said: ClosingRequest, by: str, prices: Prices | None = None
) -> ClosedPeriod:
    """In a journal that no daemon may have open. Raises NotClosed, CantOpen."""
    clock = SystemClock()
    async with open_alone(place, clock) as journal:
        return await close_period(journal, said, by, clock.now_us(), prices)


def prices_of(settings: Settings) -> Prices | None:
    """A card begins on the site's day. None where the settings have no prices."""
    if not settings.rates:
        return None
    rates = rates_of(settings.rates, ZoneInfo(settings.site.zone))
    return Prices(rates, {one.name: one.price_class for one in settings.printers})
