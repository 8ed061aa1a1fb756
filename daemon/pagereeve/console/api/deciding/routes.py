"""``POST /v1/findings/{finding}/decision``, ``/v1/decisions`` and ``/v1/decisions/{decision}/undo``."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated, Final

from fastapi import APIRouter, Body, Depends, FastAPI, Header, Path, Query, Request, Response

from pagereeve.console.api.deciding.answers import FindingDecided, PagesDecided, PeriodClosed
from pagereeve.console.api.deciding.bodies import ClosePeriod, FindingDecision, PagesDecision, Undo
from pagereeve.console.api.deciding.port import Deciding
from pagereeve.console.api.deciding.problems import deciding_responses
from pagereeve.console.api.holder import Holder
from pagereeve.console.api.paging import Asked
from pagereeve.console.api.problems import ApiProblem

router = APIRouter(tags=["decisions"])

KEY_MAX: Final = 100
UNDER_WAY: Final = "It is being closed: ask GET /v1/periods/{name}, or send this again."


def _deciding(request: Request) -> Deciding:
    deciding: Deciding | None = getattr(request.app.state, "deciding", None)
    if deciding is None:
        raise ApiProblem("over-capacity", "decision", "is made by the daemon alone, and this is its query process")
    return deciding


def put_deciding(app: FastAPI, deciding: Deciding) -> None:
    app.state.deciding = deciding


def _key(
    key: Annotated[
        str,
        Header(
            alias="Idempotency-Key",
            max_length=KEY_MAX,
            pattern=r"^[!-~]*$",
            description="A name of yours for this decision, becomes its id: sent again, nothing is decided twice.",
        ),
    ] = "",
) -> str:
    return key.strip('"')


Decider = Annotated[Deciding, Depends(_deciding)]
Key = Annotated[str, Depends(_key)]
Nothing = Annotated[Asked, Query()]


@router.post("/findings/{finding}/decision", responses=deciding_responses(), tags=["findings"])
async def decide_finding(
    finding: Annotated[str, Path(max_length=200)],
    said: Annotated[FindingDecision, Body()],
    decider: Decider,
    caller: Holder,
    key: Key,
    _: Nothing,
) -> FindingDecided:
    """Record a finding's cause, close it, or book its releases elsewhere. The credential's holder is recorded."""
    return await decider.on_finding(finding, said, caller, key)


@router.post("/decisions", responses=deciding_responses())
async def decide_pages(
    said: Annotated[PagesDecision, Body()], decider: Decider, caller: Holder, key: Key, _: Nothing
) -> PagesDecided:
    """Waive, confirm or move pages that no proof settles: all of them, or none. The credential's holder is recorded."""
    return await decider.on_pages(said, caller, key)


@router.post(
    "/periods/{name}/close",
    responses={**deciding_responses(), int(HTTPStatus.ACCEPTED): {"model": PeriodClosed, "description": UNDER_WAY}},
    tags=["periods"],
)
async def close_period(
    name: Annotated[str, Path(max_length=100, description="As GET /v1/periods/{name} has it.")],
    said: Annotated[ClosePeriod, Body()],
    decider: Decider,
    caller: Holder,
    response: Response,
    _: Nothing,
) -> PeriodClosed:
    """Close a period, for good: its figures are frozen, and what comes later is an adjustment in a later period. Sent
    again, it answers what was closed. Needs a credential that has the act decide without any limit.
    """
    answer = await decider.close_period(name, said, caller)
    if answer.state == "under-way":
        response.status_code = HTTPStatus.ACCEPTED
    return answer


@router.post("/decisions/{decision}/undo", responses=deciding_responses())
async def undo(
    decision: Annotated[str, Path(max_length=200)],
    said: Annotated[Undo, Body()],
    decider: Decider,
    caller: Holder,
    key: Key,
    _: Nothing,
) -> PagesDecided:
    """Undo a decision about pages: all is as before it. The credential's holder is recorded."""
    return await decider.undo(decision, said, caller, key)
