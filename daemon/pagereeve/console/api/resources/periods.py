"""``/v1/periods``: closed periods and the settings' own, what stands in the way of closing one, and what came later."""

from __future__ import annotations

from typing import Annotated, Any, Final

from fastapi import APIRouter, Path, Query, Request

from pagereeve.console.api.asker import Asker, Asking
from pagereeve.console.api.closing_told import Closing, ClosingTold
from pagereeve.console.api.context import Context
from pagereeve.console.api.etags import TaggedRoute
from pagereeve.console.api.models.accounts import ClosedShown
from pagereeve.console.api.models.closing import (
    AdjustmentShown,
    ClosingShown,
    ClosingTrouble,
    ConcernShown,
    NamedPeriod,
    PeriodAnswer,
    PeriodsAnswer,
)
from pagereeve.console.api.models.periods import PeriodShown
from pagereeve.console.api.nameless import closed_shown
from pagereeve.console.api.paging import LIMIT, Asked, Cursor, Limit, Page, next_page, place_of
from pagereeve.console.api.problems import ApiProblem, responses
from pagereeve.console.api.site import AskedSite
from pagereeve.domain.accounts.closing import OutOfOrder
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.instants import to_text
from pagereeve.ports.closing import ClosedPeriod
from pagereeve.ports.reads import Reads
from pagereeve.queries.adjustments import changes_to
from pagereeve.queries.as_sealed import period_of_closed
from pagereeve.queries.closing import ClosingLook, look_before_close
from pagereeve.reports.closing import adjustment_json, concern_json, concern_text, shown_of, trouble_text
from pagereeve.reports.totals import period_json

router = APIRouter(route_class=TaggedRoute, tags=["periods"])

PeriodName = Annotated[
    str, Path(max_length=100, description="2026, 2026-Q4, 2026-11, 2026-W48, 2026-11-25, or a name of [[periods]].")
]
# A page's end, as _place has it.
PLACE: Final = (str, str, str, str, str, str, str, str)
_PLACE_MEMBERS: Final = ("printer", "channel", "unit", "account", "source", "release", "state", "taken_over_by")


class ChangesQuestion(Asked):
    limit: Limit = LIMIT
    after: Cursor = None


@router.get("/periods", responses=responses(), response_model_exclude_unset=True)
async def periods(context: Context, asker: Asking, _: Annotated[Asked, Query()]) -> PeriodsAnswer:
    """Closed periods: by whom, when, the head of the journal that each saw. And those that the settings name."""
    async with context.question() as held:
        closed = await held.closed_periods()
    names, zone = {one.name for one in closed}, context.site.zone
    own = [one.period(zone) for one in context.site.own_periods]
    return PeriodsAnswer(
        closed=[ClosedShown.model_validate(closed_shown(one, asker)) for one in closed],
        named=[NamedPeriod.model_validate(period_json(one) | {"closed": one.name in names}) for one in own],
    )


@router.get("/periods/{name}", responses=responses("not-found"), response_model_exclude_unset=True)
async def period(
    context: Context, asker: Asking, name: PeriodName, told: Closing, _: Annotated[Asked, Query()]
) -> PeriodAnswer:
    """A period: closed by whom and when, being closed, or what stands in the way of it, as close --dry-run says it."""
    about = told if told is not None and told.period == name else None
    async with context.question() as held:
        closed = await _closed(held, name)
        if closed is not None:
            return _closed_answer(closed, asker)
        asked = _period(context.site, name)
        if about is not None and not about.problem:
            return _under_way_answer(asked, about)
        look = await look_before_close(held, asked, context.now_us())
    return _open_answer(look, about)


@router.get("/periods/{name}/changes", responses=responses("not-found"), response_model_exclude_unset=True)
async def period_changes(
    request: Request,
    context: Context,
    asker: Asking,
    name: PeriodName,
    asked: Annotated[ChangesQuestion, Query()],
) -> Page[AdjustmentShown]:
    """What a closed period would have otherwise if it were open, each with what it corrects. Needs the act names."""
    asker.require_names("name")
    after = place_of(asked.after, PLACE)
    async with context.question() as held:
        closed = await _closed(held, name)
        if closed is None:
            raise ApiProblem("not-found", "name", f"{name!r} is no closed period; /v1/periods lists them")
        [changes] = await changes_to(held, closed)
    rows = [adjustment_json(closed, one) for one in shown_of(changes)]
    left = sorted((one for one in rows if after is None or _place(one) > after), key=_place)
    shown = left[: asked.limit]
    place = _place(shown[-1]) if len(left) > asked.limit else None
    items = [AdjustmentShown.model_validate(one) for one in shown]
    return Page(items=items, next=next_page(request, place))


def _place(row: dict[str, Any]) -> tuple[str, ...]:
    return tuple(row.get(name) or "" for name in _PLACE_MEMBERS)


async def _closed(held: Reads, name: str) -> ClosedPeriod | None:
    return next((one for one in await held.closed_periods() if one.name == name), None)


def _period(site: AskedSite, name: str) -> Period:
    try:
        return site.chosen(name)
    except BadQuestion as error:
        raise ApiProblem("not-found", "name", error.problem) from error


def _closed_answer(closed: ClosedPeriod, asker: Asker) -> PeriodAnswer:
    return PeriodAnswer(
        period=PeriodShown.model_validate(period_json(period_of_closed(closed))),
        state="closed",
        closed=ClosedShown.model_validate(closed_shown(closed, asker)),
        closing=None,
        trouble=None,
        concerns=[],
    )


def _under_way_answer(period: Period, told: ClosingTold) -> PeriodAnswer:
    return PeriodAnswer(
        period=PeriodShown.model_validate(period_json(period)),
        state="closing",
        closed=None,
        closing=_closing(told),
        trouble=None,
        concerns=[],
    )


def _closing(told: ClosingTold | None) -> ClosingShown | None:
    return None if told is None else ClosingShown(since=to_text(told.since_us), problem=told.problem or None)


def _open_answer(look: ClosingLook, told: ClosingTold | None) -> PeriodAnswer:
    trouble = look.trouble
    return PeriodAnswer(
        period=PeriodShown.model_validate(period_json(look.period)),
        state="closable" if trouble is None else "not-closable",
        closed=None,
        closing=_closing(told),
        trouble=None if trouble is None else _trouble(look.period, trouble),
        concerns=[
            ConcernShown.model_validate(concern_json(one) | {"text": concern_text(one)}) for one in look.concerns
        ],
    )


def _trouble(period: Period, trouble: OutOfOrder) -> ClosingTrouble:
    at = to_text(trouble.at_us) if trouble.at_us else None
    text = trouble_text(period, trouble)
    return ClosingTrouble(trouble=trouble.trouble, other=trouble.other or None, at=at, text=text)
