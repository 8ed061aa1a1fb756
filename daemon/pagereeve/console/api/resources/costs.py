"""``/v1/costs``: what charged pages cost, by the site's rate cards."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import Field

from pagereeve.console.api.asked_period import PeriodAsked
from pagereeve.console.api.asker import Asking
from pagereeve.console.api.context import Context
from pagereeve.console.api.etags import TaggedRoute
from pagereeve.console.api.models.costs import CostsAnswer
from pagereeve.console.api.nameless import without_closer
from pagereeve.console.api.problems import ApiProblem, responses
from pagereeve.domain.accounts.frozen_answers import CostsBy
from pagereeve.queries.closed_costs import costs_of_period
from pagereeve.reports.costs import costs_json

router = APIRouter(route_class=TaggedRoute, tags=["accounts"])


class CostsQuestion(PeriodAsked):
    by: CostsBy = Field(default="printer", description="A line for each of these; person needs the act names.")


@router.get("/costs", responses=responses("not-found"), response_model_exclude_unset=True)
async def costs(context: Context, asker: Asking, asked: Annotated[CostsQuestion, Query()]) -> CostsAnswer:
    """What charged pages of a period cost; pages that no price fits are shown, and are in no amount."""
    if asked.by == "person":
        asker.require_names("by")
    period, site = asked.period_at(context.site), context.site
    async with context.question() as held:
        answer = await costs_of_period(held, period, asked.by, site.prices, site.price_classes)
    if not site.prices and not answer.cards:
        raise ApiProblem("not-found", "costs", "the settings have no prices ([[rates]])")
    return CostsAnswer.model_validate(without_closer(costs_json(answer), asker))
