"""``POST /v1/printers/{printer}/check``: described with the questions, and answered by the daemon alone."""

from __future__ import annotations

from typing import Annotated, Protocol

from fastapi import APIRouter, Depends, FastAPI, Path, Query, Request

from pagereeve.console.api.checking.answers import PrinterChecked
from pagereeve.console.api.deciding.problems import handle_refusals
from pagereeve.console.api.holder import Holder
from pagereeve.console.api.paging import Asked
from pagereeve.console.api.problems import ApiProblem, handle_problems, responses
from pagereeve.console.api.steps import STEP
from pagereeve.domain.credentials.callers import Caller

router = APIRouter(tags=["printers"])


class Checks(Protocol):
    async def check(self, printer: str, caller: Caller) -> PrinterChecked:
        """Raises ApiProblem, and feeds.refusals.Refusal where that is too much or can't be done now."""
        ...


def _checks(request: Request) -> Checks:
    checks: Checks | None = getattr(request.app.state, "checks", None)
    if checks is None:
        raise ApiProblem("over-capacity", "printer", "is checked by the daemon alone, and this is its query process")
    return checks


@router.post(f"/printers/{{printer:{STEP}}}/check", responses=responses("not-found"))
async def check_printer(
    printer: Annotated[str, Path(max_length=200, description="As the settings name it.")],
    checks: Annotated[Checks, Depends(_checks)],
    caller: Holder,
    _: Annotated[Asked, Query()],
) -> PrinterChecked:
    """Ask a printer of the settings now, over SNMP, and say what it lacks; nothing is printed, and no fact is stored.
    Needs a credential that has the act install.
    """
    return await checks.check(printer, caller)


def make_checking(checks: Checks, prefix: str) -> FastAPI:
    """Whoever passes a request on has put its Caller into the scope (feeds.http.answers.READER)."""
    app = FastAPI(openapi_url=None, docs_url=None, redoc_url=None, redirect_slashes=False)
    app.state.checks = checks
    handle_problems(app)
    handle_refusals(app)
    app.include_router(router, prefix=prefix)
    return app
