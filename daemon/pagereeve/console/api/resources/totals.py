"""``/v1/totals``: the pages of a period, added up, and what the meters counted."""

from __future__ import annotations

import io
import json
from typing import Annotated, Final, Literal

from fastapi import APIRouter, Query
from pydantic import Field

from pagereeve.console.api.asked_period import PeriodAsked
from pagereeve.console.api.asker import Asking
from pagereeve.console.api.context import ApiContext, Context
from pagereeve.console.api.etags import TaggedRoute
from pagereeve.console.api.models.accounts import TotalsAnswer
from pagereeve.console.api.nameless import without_closer
from pagereeve.console.api.problems import responses
from pagereeve.console.api.yielding import yielding
from pagereeve.domain.accounts.totals import By
from pagereeve.reports.exports.account import ZoneFrom
from pagereeve.reports.exports.json_file import JsonFile
from pagereeve.reports.exports.making import Wanted, begin_export, write_whole

router = APIRouter(route_class=TaggedRoute, tags=["accounts"])

TotalsBy = Literal[By, "day"]
OF_PERSONS: Final = frozenset({"person", "release"})
"""Groupings whose rows name people."""


class TotalsQuestion(PeriodAsked):
    by: TotalsBy = Field(default="printer", description="A line for each of these; person needs the act names.")


def zone_from(context: ApiContext) -> ZoneFrom:
    return "default" if context.site.site.zone_is_default else "settings"


@router.get("/totals", responses=responses(), response_model_exclude_unset=True)
async def totals(context: Context, asker: Asking, asked: Annotated[TotalsQuestion, Query()]) -> TotalsAnswer:
    """Pages per person, cost centre, printer or day: released, counted, charged; house accounts; meters."""
    if asked.by in OF_PERSONS:
        asker.require_names("by")
    wanted = Wanted(asked.period_at(context.site), asked.by, "json")
    file = io.BytesIO()
    async with context.question() as held:
        export, made = await begin_export(held, wanted, zone_from(context), context.zone_database)
        await write_whole(JsonFile(file, asked.by, made), yielding(export))
    return TotalsAnswer.model_validate(without_closer(json.loads(file.getvalue()), asker))
