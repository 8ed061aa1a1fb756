"""``/v1/health``: what ``/readyz`` says, with all details. The daemon itself answers: it alone knows."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, FastAPI, Query, Request
from pydantic import BaseModel, Field

from pagereeve.console.api.etags import TaggedRoute
from pagereeve.console.api.paging import Asked
from pagereeve.console.api.problems import ApiProblem, handle_problems, responses
from pagereeve.ports.telemetry import Readiness

router = APIRouter(route_class=TaggedRoute, tags=["health"])
PATH = "/health"


class HealthClock(BaseModel):
    ahead_s: int = Field(description="How far this machine's clock is ahead of the dates that facts get.")
    agreed: bool = Field(description="Whether these dates rest on a clock that is right, as far as anybody knows.")


class Health(BaseModel):
    """The status is 200 whether it is ready or not; ``/readyz`` is for whoever looks at the status alone."""

    ready: bool
    not_ready: dict[str, str] = Field(description="By part (start, journal, tasks, loop, disk): why it does not work.")
    notices: dict[str, str] = Field(description="What somebody should look at although all works.")
    clock: HealthClock


@router.get(PATH, responses=responses())
async def health(request: Request, _: Annotated[Asked, Query()]) -> Health:
    """Does each part of the daemon work, and if not, why?"""
    readiness: Readiness | None = getattr(request.app.state, "readiness", None)
    if readiness is None:
        raise ApiProblem("over-capacity", "health", "is known to the daemon alone, and this is its query process")
    waiting = {name: why for name, why in readiness.parts().items() if why}
    clock = readiness.clock()
    dated = HealthClock(ahead_s=clock.ahead_s, agreed=clock.agreed)
    return Health(ready=not waiting, not_ready=waiting, notices=dict(readiness.notices()), clock=dated)


def make_health(readiness: Readiness, prefix: str) -> FastAPI:
    """For the daemon; the questions' application describes it."""
    app = FastAPI(openapi_url=None, docs_url=None, redoc_url=None, redirect_slashes=False)
    app.state.readiness = readiness
    handle_problems(app)
    app.include_router(router, prefix=prefix)
    return app
