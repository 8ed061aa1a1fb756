"""A check of one printer that a program asks for, with the pace and the sockets of the pages that add printers."""

from __future__ import annotations

from collections import Counter

from pagereeve.app.installing.check_door import CheckDoor
from pagereeve.app.installing.checking import UnreadableSecret
from pagereeve.app.installing.installing import Installing
from pagereeve.console.api.application import PREFIX
from pagereeve.console.api.checking.answers import PrinterChecked
from pagereeve.console.api.checking.routes import make_checking
from pagereeve.console.api.problems import ApiProblem
from pagereeve.domain.credentials.callers import Caller
from pagereeve.feeds.http.endpoint import EventsEndpoint
from pagereeve.feeds.refusals import Reason, Refusal
from pagereeve.queries.proven import PrinterNotes, proven_of
from pagereeve.settings import BadSettings


class ApiChecks:
    """Implements console.api.checking.routes.Checks. ``notes`` say when printers were proven; what is refused is
    counted in ``refused``.
    """

    def __init__(self, installing: Installing, notes: PrinterNotes, refused: Counter[Reason]) -> None:
        self._installing = installing
        self._notes = notes
        self._refused = refused

    async def check(self, printer: str, caller: Caller) -> PrinterChecked:
        try:
            return await self._checked(printer, caller)
        except Refusal as refusal:
            self._refused[refusal.reason] += 1
            raise

    async def _checked(self, printer: str, caller: Caller) -> PrinterChecked:
        try:
            look = await self._installing.check_printer(printer, caller.name, await proven_of(self._notes))
        except UnreadableSecret as error:
            where, problem = f"[[printers]] {printer}, {error.setting}", "can't be read now, or holds no secret"
            raise Refusal("unusable-setting", where, f"{problem}; pagereeve doctor says why") from None
        except BadSettings as error:  # a profile that is gone since
            raise Refusal("unusable-setting", f"[[printers]] {printer}", str(error)) from None
        if look is None:
            problem = f"{printer[:40]!r} is in no [[printers]] of the settings; /v1/printers lists those that are"
            raise ApiProblem("not-found", "printer", problem)
        return PrinterChecked.of(look)


def check_door(installing: Installing, notes: PrinterNotes, events: EventsEndpoint) -> CheckDoor:
    return CheckDoor(make_checking(ApiChecks(installing, notes, events.stats.refused), PREFIX), events)
