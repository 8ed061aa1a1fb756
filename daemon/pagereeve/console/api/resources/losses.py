"""``/v1/losses``: pages for which nobody pays, and what would help."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import Field

from pagereeve.console.api.asked_period import PeriodAsked
from pagereeve.console.api.asker import Asking
from pagereeve.console.api.context import Context
from pagereeve.console.api.etags import TaggedRoute
from pagereeve.console.api.models.losses import LossesAnswer
from pagereeve.console.api.nameless import without_closer
from pagereeve.console.api.problems import responses
from pagereeve.queries.losses import LossesBy, losses_of
from pagereeve.reports.losses import losses_json

router = APIRouter(route_class=TaggedRoute, tags=["accounts"])


class LossesQuestion(PeriodAsked):
    by: LossesBy = Field(default="printer", description="A line for each of these.")


@router.get("/losses", responses=responses(), response_model_exclude_unset=True)
async def losses(context: Context, asker: Asking, asked: Annotated[LossesQuestion, Query()]) -> LossesAnswer:
    """House accounts and unproven claims by printer and cause, the dearest first, beside those of the period before."""
    period = asked.period_at(context.site)
    async with context.question() as held:
        answer = await losses_of(held, period, asked.by)
    return LossesAnswer.model_validate(without_closer(losses_json(answer), asker))
