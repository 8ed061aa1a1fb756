"""``/v1/printers`` and ``/v1/gateways``: how meters fare, one by one and behind each gateway."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Final

from fastapi import APIRouter, Path, Query, Request
from pydantic import Field

from pagereeve.console.api.context import Context
from pagereeve.console.api.etags import TaggedRoute
from pagereeve.console.api.models.meters import GatewayDetails, GatewayShown, PrinterDetails, PrinterShown
from pagereeve.console.api.paging import LIMIT, Asked, Cursor, Limit, Page, next_page, place_of
from pagereeve.console.api.problems import ApiProblem, responses
from pagereeve.console.api.steps import SEVERAL
from pagereeve.queries.meters import UNKNOWN, MeterDetails, fleet_of, heard_through, meter_of

router = APIRouter(route_class=TaggedRoute)

# A page's end: the last name.
PLACE: Final = (str,)
Name = Annotated[str, Path(max_length=200)]
Nothing = Annotated[Asked, Query()]


class PrintersQuestion(Asked):
    gateway: str | None = Field(
        default=None, max_length=200, description="Only those behind this gateway; an empty one: behind none."
    )
    site: str | None = Field(default=None, max_length=1_024, description="Only those that settings place there.")
    limit: Limit = LIMIT
    after: Cursor = None


class GatewaysQuestion(Asked):
    limit: Limit = LIMIT
    after: Cursor = None


@router.get("/printers", responses=responses(), tags=["printers"])
async def printers(
    request: Request, context: Context, asked: Annotated[PrintersQuestion, Query()]
) -> Page[PrinterShown]:
    """The printers of the settings by name: last good reading, silence and its reason, open findings."""
    known = {
        one.name: one
        for one in context.site.printers
        if asked.gateway in {None, one.gateway or ""} and asked.site in {None, one.site}
    }
    names, place = _page(sorted(known), asked.limit, asked.after)
    async with context.question() as held:
        fleet = await fleet_of(held)
    items = [PrinterShown.of(name, known[name], fleet.meter(name)) for name in names]
    return Page(items=items, next=next_page(request, place))


@router.get(f"/printers/{{printer:{SEVERAL}}}", responses=responses("not-found"), tags=["printers"])
async def one_printer(context: Context, printer: Name, _: Nothing) -> PrinterDetails:
    """One printer, of the settings or known to the journal alone, with open windows, settle time and last proof."""
    known = next((one for one in context.site.printers if one.name == printer), None)
    async with context.question() as held:
        details = await meter_of(held, printer)
    if known is None and _nothing_known(details):
        problem = f"{printer[:40]!r} is known neither to the settings nor to the journal; /v1/printers lists printers"
        raise ApiProblem("not-found", "printer", problem)
    return PrinterDetails.of_one(printer, known, details)


@router.get("/gateways", responses=responses(), tags=["gateways"])
async def gateways(
    request: Request, context: Context, asked: Annotated[GatewaysQuestion, Query()]
) -> Page[GatewayShown]:
    """The gateways of the settings by name: is it up, and how many of the printers behind it answer."""
    known = {one.name: one for one in context.site.gateways}
    names, place = _page(sorted(known), asked.limit, asked.after)
    behind = context.site.behind
    async with context.question() as held:
        fleet = await fleet_of(held)
    items = [GatewayShown.of(known[name], behind[name], fleet) for name in names]
    return Page(items=items, next=next_page(request, place))


@router.get("/gateways/{gateway}", responses=responses("not-found"), tags=["gateways"])
async def one_gateway(context: Context, gateway: Name, _: Nothing) -> GatewayDetails:
    """One gateway, each printer behind it, and when a badge and a notice last came through it."""
    known = next((one for one in context.site.gateways if one.name == gateway), None)
    if known is None:
        problem = f"{gateway[:40]!r} is no gateway of the settings; /v1/gateways lists them"
        raise ApiProblem("not-found", "gateway", problem)
    behind = context.site.behind[gateway]
    async with context.question() as held:
        fleet = await fleet_of(held)
        heard = await heard_through(held, {gateway: behind})
    return GatewayDetails.of_one(known, behind, fleet, heard[gateway])


def _page(names: Sequence[str], limit: int, cursor: str | None) -> tuple[Sequence[str], tuple[str] | None]:
    """A page of sorted names, and the place where it ended; None with the last."""
    after = place_of(cursor, PLACE)
    behind = [name for name in names if after is None or name > after[0]]
    page = behind[:limit]
    return page, (page[-1],) if len(behind) > len(page) else None


def _nothing_known(details: MeterDetails) -> bool:
    return details.state == UNKNOWN and not details.open and details.proven_us is None
