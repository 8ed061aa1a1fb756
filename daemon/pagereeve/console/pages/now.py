"""``/now``: is every page accounted for, what needs somebody, who is open."""

from __future__ import annotations

from typing import Annotated, Any, Final

from fastapi import APIRouter, Query
from pydantic import Field
from starlette.responses import HTMLResponse

from pagereeve.console.api.asker import Asker, Asking
from pagereeve.console.api.context import ApiContext, Context
from pagereeve.console.api.paging import Asked
from pagereeve.console.pages.begun import Beginning, BegunRoute
from pagereeve.console.pages.finding_lines import line_of
from pagereeve.console.pages.shell import Clock, page
from pagereeve.console.pages.units import unit_of
from pagereeve.console.pictures.strip import strip_parts
from pagereeve.domain.accounts.periods import ALWAYS_US, Period, local, period_of
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.queries.changed_since import changed_since
from pagereeve.queries.now import NowAnswer, now_of

HERE: Final = "/now"
LANES_SHOWN: Final = 20
SINCE_MAX_US: Final = 7 * 86_400 * SECOND_US
"""Of longer than a week a period says more."""
LAST_US: Final = 2**53
"""Up to it a script's numbers are whole."""

router = APIRouter(include_in_schema=False, route_class=BegunRoute)


@router.get(HERE)
async def now(context: Context, asker: Asking, begun: Beginning) -> HTMLResponse:
    now_us = context.now_us()
    begun.shows("now.html", asker, context.site.zone, HERE, now_us=now_us)
    return begun.page(**await _shared(context, asker))


@router.get(f"{HERE}/figures")
async def figures(context: Context, asker: Asking) -> HTMLResponse:
    """What of the page moves."""
    values = await _shared(context, asker)
    return page("now_figures.html", asker, context.site.zone, HERE, **values)


class ChangedAsked(Asked):
    """``since`` is in microseconds since 1970, as a page has it."""

    since: int = Field(ge=0, le=LAST_US)


@router.get(f"{HERE}/changed")
async def changed(
    context: Context, asker: Asking, begun: Beginning, asked: Annotated[ChangedAsked, Query()]
) -> HTMLResponse:
    """What changed since somebody looked. Scripts of ``/now`` show its answer there; nobody else keeps the instant."""
    now_us, zone = context.now_us(), context.site.zone
    since_us = min(max(asked.since, now_us - SINCE_MAX_US), now_us)
    begun.shows("changed.html", asker, zone, HERE, now_us=now_us, since_us=since_us, asked_us=asked.since)
    clock = Clock(zone)
    async with context.question() as held:
        known = await changed_since(held, Period(clock.full(since_us), zone, since_us, ALWAYS_US))
    return begun.page(known=known, work=[line_of(one, clock) for one in known.findings])


async def _shared(context: ApiContext, asker: Asker) -> dict[str, Any]:
    """One for all who look at once and may see the same."""
    names, zone = asker.sees_names, context.site.zone
    return await context.shared.answer((HERE, names, zone.key), lambda: _values(context, names=names))


async def _values(context: ApiContext, *, names: bool) -> dict[str, Any]:
    """``as_of_us``: when it was begun."""
    zone, now_us = context.site.zone, context.now_us()
    async with context.question() as held:
        answer = await now_of(held, period_of(local(now_us, zone).date().isoformat(), zone), context.site.behind)
    return {
        "as_of_us": now_us,
        "has_printers": bool(context.site.printers),
        "now": answer,
        "strips": [(one, strip_parts(one)) for one in answer.strips],
        "work": [line_of(one, Clock(zone)) for one in answer.work],
        "verdict": _verdict(answer),
        "unit_of": unit_of,
        "owner": {one.release: one.owner for one in answer.open_releases} if names else {},
        "lanes": answer.lanes[:LANES_SHOWN],
    }


def _verdict(answer: NowAnswer) -> str:
    """The answer to the first question, a member of a closed set."""
    if any(one.unbalanced for one in answer.strips):
        return "no"
    if any(one.waits or one.missing for one in answer.strips):
        return "yes-but"
    return "yes" if answer.strips else "nothing"
