"""``/accounts``: the periods, and whether each adds up to the meters."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Annotated, Final

from fastapi import APIRouter, Path, Query
from starlette.responses import HTMLResponse

from pagereeve.console.api.asker import Asker, Asking
from pagereeve.console.api.closing_told import Closing
from pagereeve.console.api.context import Context
from pagereeve.console.api.problems import ApiProblem
from pagereeve.console.api.site import AskedSite
from pagereeve.console.pages.begun import Beginning, BegunRoute
from pagereeve.console.pages.shell import page
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.ports.closing import ClosedPeriod
from pagereeve.ports.reads import Reads
from pagereeve.queries.account_periods import Listed, account_periods, sums_in
from pagereeve.queries.as_sealed import period_of_closed

HERE: Final = "/accounts"

router = APIRouter(include_in_schema=False, route_class=BegunRoute)

PeriodName = Annotated[str, Path(max_length=100)]
MonthName = Annotated[str | None, Query(pattern=r"^\d{4}-(0[1-9]|1[0-2])$")]


@dataclass(frozen=True, slots=True)
class ClosedBy:
    """``by`` and ``despite`` are None for who may not see names."""

    name: str
    at_us: int
    by: str | None
    despite: str | None


def closed_by(closed: ClosedPeriod | None, asker: Asker) -> ClosedBy | None:
    if closed is None:
        return None
    known = closed.closing
    named = asker.sees_names
    return ClosedBy(known.name, known.at_us, known.by if named else None, known.reason if named else None)


async def named_period(held: Reads, site: AskedSite, name: str) -> Period:
    """A closed one, whatever the settings say by now; else the calendar's, or the site's own. Raises ApiProblem."""
    closed = next((one for one in await held.closed_periods() if one.name == name), None)
    if closed is not None:
        return period_of_closed(closed)
    try:
        return site.chosen(name)
    except BadQuestion as error:
        raise ApiProblem("not-found", "period", error.problem) from error


@router.get(HERE)
async def accounts(context: Context, asker: Asking, told: Closing, before: MonthName = None) -> HTMLResponse:
    now_us, site = context.now_us(), context.site
    async with context.question() as held:
        known = await account_periods(held, site.zone, site.own_periods, now_us, before)
    groups = [
        ("Months", _listed(known.months, asker), 0),
        ("Periods of this site's own", _listed(known.own, asker), known.own_left),
        ("Other closed periods", _listed(known.closed, asker), known.closed_left),
    ]
    return page(
        "accounts.html",
        asker,
        site.zone,
        HERE,
        known=known,
        groups=[one for one in groups if one[1]],
        before=before,
        told=told,
        last=next(iter(_listed(() if known.last_whole is None else (known.last_whole,), asker)), None),
        now_us=now_us,
    )


@router.get(f"{HERE}/{{name}}/sums")
async def sums(context: Context, asker: Asking, begun: Beginning, name: PeriodName) -> HTMLResponse:
    """A period's line of the list: adding up a month of a large site takes seconds, and the list does not wait."""
    now_us = context.now_us()
    async with context.look() as held:
        await named_period(held, context.site, name)
    begun.shows("sums.html", asker, context.site.zone, HERE, now_us=now_us, name=name)
    async with context.question() as held:
        period = await named_period(held, context.site, name)
        line = await sums_in(held, period)
    return begun.page(line=line, closed=closed_by(line.closed, asker))


def _listed(periods: Iterable[Listed], asker: Asker) -> list[tuple[str, ClosedBy | None]]:
    return [(one.period.name, closed_by(one.closed, asker)) for one in periods]
