"""``/v1/decisions``: what people decided about pages that no proof settles."""

from __future__ import annotations

from typing import Annotated, Final

from fastapi import APIRouter, Query, Request
from pydantic import Field

from pagereeve.console.api.asked_period import PeriodAsked
from pagereeve.console.api.asker import Asking
from pagereeve.console.api.context import Context
from pagereeve.console.api.etags import TaggedRoute
from pagereeve.console.api.models.decisions import DecisionShown
from pagereeve.console.api.paging import LIMIT, Cursor, Limit, Page, next_page, place_of
from pagereeve.console.api.problems import responses
from pagereeve.domain.accounts.decisions import Ruling
from pagereeve.queries.page_decisions import ruled

router = APIRouter(route_class=TaggedRoute, tags=["decisions"])

# A page's end: when the last one was received, its source and id; that is their order.
PLACE: Final = (int, str, str)


class DecisionsQuestion(PeriodAsked):
    """Which decisions are meant; of a period are those that were made in it."""

    printer: str | None = Field(default=None, max_length=200, description="Only about pages of this printer.")
    limit: Limit = LIMIT
    after: Cursor = None


@router.get("/decisions", responses=responses())
async def decisions(
    request: Request, context: Context, asker: Asking, asked: Annotated[DecisionsQuestion, Query()]
) -> Page[DecisionShown]:
    """Decisions about pages in the order in which they came: what each does, or why it is not in force."""
    period = asked.period_at(context.site)
    after = place_of(asked.after, PLACE)
    async with context.question() as held:
        known = await ruled(held)
    meant = [
        one for one in known if asked.printer in {None, one.decided.printer} and period.holds(one.decided.origin.at_us)
    ]
    behind = [one for one in meant if after is None or _place(one) > after]
    page = behind[: asked.limit]
    place = _place(page[-1]) if len(behind) > len(page) else None
    items = [DecisionShown.of(one, with_names=asker.sees_names) for one in page]
    return Page(items=items, next=next_page(request, place))


def _place(ruling: Ruling) -> tuple[int, str, str]:
    origin = ruling.decided.origin
    return origin.received_us, *origin.key
