"""``/releases``: what was released, the newest first, and what came of each."""

from __future__ import annotations

from typing import Annotated, Final, cast, get_args

from fastapi import APIRouter, Query, Request
from pydantic import Field
from starlette.responses import HTMLResponse

from pagereeve.console.api.asker import Asking
from pagereeve.console.api.context import Context
from pagereeve.console.api.paging import Asked, Cursor, next_page, place_of
from pagereeve.console.api.resources.releases import PLACE
from pagereeve.console.pages.begun import Beginning, BegunRoute
from pagereeve.console.pages.units import unit_said
from pagereeve.domain.accounts.totals import OPEN
from pagereeve.domain.ledger import Charge
from pagereeve.ports.releases import ReleaseFilter, ReleasePlace, VerdictAsked
from pagereeve.queries.releases import ReleasesAsked, releases_page

HERE: Final = "/releases"
ROWS_MAX: Final = 50
VERDICTS: Final[tuple[VerdictAsked, ...]] = get_args(VerdictAsked)

router = APIRouter(include_in_schema=False, route_class=BegunRoute)


class ReleasesShown(Asked):
    """What the page's form asks for; empty: any. ``person`` needs the act names."""

    printer: str = Field(default="", max_length=200)
    verdict: VerdictAsked | str = Field(default="", max_length=20)
    period: str = Field(default="", max_length=100)
    person: str = Field(default="", max_length=200)
    after: Cursor = None


@router.get(HERE)
async def releases(
    request: Request, context: Context, asker: Asking, begun: Beginning, asked: Annotated[ReleasesShown, Query()]
) -> HTMLResponse:
    if asked.person:
        asker.require_names("person")
    period = context.site.chosen(asked.period or None)
    verdict = next((one for one in VERDICTS if one == asked.verdict), None)
    wanted = ReleaseFilter(asked.printer or None, None, verdict, None, period.from_us, period.to_us)
    after = cast("ReleasePlace | None", place_of(asked.after, PLACE))
    begun.shows("releases.html", asker, context.site.zone, HERE, now_us=context.now_us())
    async with context.question() as held:
        found = await releases_page(held, ReleasesAsked(wanted, person=asked.person or None), ROWS_MAX, after)
    return begun.page(
        asked=asked,
        verdicts=VERDICTS,
        lines=[(charge, verdict_of(charge)) for charge in found.charges],
        unit_says=unit_said(charge.unit for charge in found.charges),
        following=next_page(request, found.after),
        is_first=after is None,
        is_filtered=bool(asked.printer or asked.verdict or asked.period or asked.person),
    )


def verdict_of(charge: Charge) -> str:
    return OPEN if charge.verdict is None else charge.verdict.value
