"""A period is closed by who decides: what stands in the way is answered, what is closed already is answered again."""

from __future__ import annotations

import asyncio

from pagereeve.app.closing import ClosingRequest
from pagereeve.app.closings import Closings, OtherUnderWay
from pagereeve.console.api.deciding.answers import PeriodClosed
from pagereeve.console.api.deciding.bodies import ClosePeriod
from pagereeve.console.api.models.accounts import ClosedShown
from pagereeve.console.api.nameless import UNNAMED
from pagereeve.console.api.problems import ApiProblem
from pagereeve.domain.credentials.callers import Caller
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.feeds.refusals import Refusal
from pagereeve.ports.closing import ClosedPeriod, Hindered, NotClosed
from pagereeve.ports.reads import Reads
from pagereeve.reports.closing import closed_json


class PeriodDecisions:
    def __init__(self, reads: Reads, closings: Closings) -> None:
        self._reads = reads
        self._closings = closings

    async def close(self, name: str, said: ClosePeriod, caller: Caller, waited_s: float) -> PeriodClosed:
        """Raises ApiProblem, Refusal, JournalUnavailable."""
        _require_unlimited(caller)
        known = next((one for one in await self._reads.closed_periods() if one.name == name), None)
        if known is not None:
            return _answer(known, caller, repeated=True)
        try:
            task = self._closings.begin(ClosingRequest(self._closings.period(name), said.despite or ""), caller.name)
            await asyncio.wait({task}, timeout=waited_s)
            if not task.done():
                return PeriodClosed(period=name, state="under-way", closed=None, repeated=False)
            return _answer(task.result(), caller)
        except BadQuestion as error:
            raise ApiProblem("not-found", "name", error.problem) from error
        except OtherUnderWay as error:
            raise ApiProblem("over-capacity", "name", str(error)) from error
        except NotClosed as error:
            raise ApiProblem("not-possible", "name", _problem(name, error)) from error


def _require_unlimited(caller: Caller) -> None:
    if not caller.may_close:
        who = f"the credential {caller.name}" if caller.name else "who shows no credential"
        problem = f"to close a period needs the act decide without a limit of sources, types or pages; {who} has one"
        raise Refusal("forbidden", "Authorization", problem, "decide")


def _problem(name: str, error: NotClosed) -> str:
    if not isinstance(error, Hindered):
        return str(error)
    return f"{name} is not closed, as something stands in the way: {'; '.join(error.hindrances)}. Say despite what"


def _answer(closed: ClosedPeriod, caller: Caller, *, repeated: bool = False) -> PeriodClosed:
    members = closed_json(closed) | ({} if caller.may("names") else UNNAMED)
    shown = ClosedShown.model_validate(members)
    return PeriodClosed(period=closed.name, state="closed", closed=shown, repeated=repeated)
