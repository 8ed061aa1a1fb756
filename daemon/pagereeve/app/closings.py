"""Periods that the daemon closes: one at a time, and each goes on whether or not anybody waits for it."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from typing import Any
from zoneinfo import ZoneInfo

import structlog

from pagereeve.app.closing import REASON_MAX, ClosingRequest
from pagereeve.console.api.closing_told import ClosingTold
from pagereeve.domain.accounts.own_periods import chosen
from pagereeve.domain.accounts.periods import Period, zone_of
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.domain.values.fields import Fields
from pagereeve.domain.values.instants import FOREVER_US
from pagereeve.ports.closing import ClosedPeriod, Hindered, NotClosed
from pagereeve.reports.closing import closed_json
from pagereeve.settings import Settings

ClosePeriod = Callable[[Any, str], Awaitable[Mapping[str, Any]]]
"""Gets a request as it came (ClosingRequest.body) and who asks; raises NotClosed or BadFact."""
CloseNow = Callable[[ClosingRequest, str], Awaitable[ClosedPeriod]]
"""Gets who asks; raises NotClosed, JournalUnavailable."""

log = structlog.get_logger("pagereeve.closing")


class OtherUnderWay(NotClosed):
    """Another period is being closed."""


class Closings:
    """``state`` is None where the last one was closed, or none was asked for. ``period`` is what the settings in force
    call by a name; it raises BadQuestion.
    """

    def __init__(self, close: CloseNow, now_us: Callable[[], int], period: Callable[[str], Period]) -> None:
        self.period = period
        self._close = close
        self._now_us = now_us
        self._task: asyncio.Task[ClosedPeriod] | None = None
        self.state: ClosingTold | None = None

    async def close(self, said: ClosingRequest, by: str) -> ClosedPeriod:
        """Once it is closed. Who asks for the period that is under way waits for that. Raises NotClosed,
        JournalUnavailable.
        """
        return await asyncio.shield(self.begin(said, by))

    def begin(self, said: ClosingRequest, by: str) -> asyncio.Task[ClosedPeriod]:
        """Raises OtherUnderWay."""
        name, state = said.period.name, self.state
        if self._task is not None and state is not None:
            if state.period != name:
                raise OtherUnderWay(f"{name} can't be closed now: {state.period} is being closed; ask again when it is")
            return self._task
        self.state = ClosingTold(name, self._now_us())
        self._task = asyncio.create_task(self._close_one(said, by), name="closing a period")
        # Perhaps nobody waits for it any more; what went wrong is in ``state``.
        self._task.add_done_callback(lambda task: task.cancelled() or task.exception())
        return self._task

    async def _close_one(self, said: ClosingRequest, by: str) -> ClosedPeriod:
        name, problem = said.period.name, "the daemon stopped meanwhile"
        try:
            closed = await self._close(said, by)
            problem = ""
        except PagereeveError as error:
            problem = "; ".join(error.hindrances) if isinstance(error, Hindered) else str(error)
            raise
        except Exception:
            problem = "a fault of ours; the daemon's log has it"
            log.exception("a period was not closed", period=name)
            raise
        finally:
            known, self._task = self.state, None
            self.state = None if not problem or known is None else ClosingTold(name, known.since_us, problem)
        return closed

    async def stop(self) -> None:
        """One under way is ended; the period is closed then, or the next start removes what was stored."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.wait({self._task})


def closer(closings: Closings, settings: Callable[[], Settings]) -> ClosePeriod:
    """For the daemon's local socket. ``settings`` gives those in force: a reload changes zone and periods."""

    async def close_asked(body: Any, by: str) -> Mapping[str, Any]:
        return closed_json(await closings.close(_request_of(body, settings()), by))

    return close_asked


def period_named(settings: Settings, name: str) -> Period:
    """Raises BadQuestion."""
    return _named(settings, name, zone_of(settings.site.zone))


def _named(settings: Settings, name: str, zone: ZoneInfo) -> Period:
    return chosen(name, None, None, zone, [one.own_period() for one in settings.periods])


def _request_of(body: Any, settings: Settings) -> ClosingRequest:
    """Raises BadFact, BadQuestion; NotClosed where the daemon's own settings say other ends."""
    fields = Fields(body, "")
    name, zone = fields.text("period", 64), zone_of(fields.text("zone", 64))
    ends = (fields.integer("from_us", 0, FOREVER_US), fields.integer("to_us", 0, FOREVER_US))
    despite = fields.optional_text("despite", REASON_MAX) or ""
    fields.finish()
    period = _named(settings, name, zone)
    if zone.key != settings.site.zone or ends != (period.from_us, period.to_us):
        raise NotClosed(
            f"{name} can't be closed: the daemon runs with another [site] zone or [[periods]] than your settings file "
            "says; reload or restart it"
        )
    return ClosingRequest(period, despite)
