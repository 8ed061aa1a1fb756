"""``/v1/findings``: where pages and releases disagree, the worst first."""

from __future__ import annotations

from typing import Annotated, Final, cast

from fastapi import APIRouter, Path, Query, Request
from pydantic import Field

from pagereeve.console.api.asked_period import PeriodAsked
from pagereeve.console.api.asker import Asking
from pagereeve.console.api.context import Context
from pagereeve.console.api.etags import TaggedRoute
from pagereeve.console.api.models.findings import FindingShown, FindingsSummary
from pagereeve.console.api.paging import LIMIT, Asked, Cursor, Limit, Page, next_page, place_of
from pagereeve.console.api.problems import ApiProblem, responses
from pagereeve.domain.ledger import FindingState, Severity
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.ports.findings import FindingFilter, Place
from pagereeve.queries.findings import finding_of, findings_of, summary_of
from pagereeve.reports.findings_summary import summary_json

router = APIRouter(route_class=TaggedRoute, tags=["findings"])

# A page's end, as ports.findings.Place: severity, instant, printer, finding, anchor, ordinal.
PLACE: Final = (int, int, str, str, int, int)

FindingName = Annotated[str, Path(max_length=200, description="The finding's id, as f-0a1b2c3d4e5f.")]


class FindingsQuestion(PeriodAsked):
    """Which findings are meant; each parameter leaves out others. Of a period are those that began in it."""

    state: FindingState | None = Field(default=None, description="Only those in this state.")
    kind: str | None = Field(default=None, max_length=100, description="Only of this kind, as surplus or meter-silent.")
    severity: Severity | None = Field(default=None, description="Only of this severity.")
    printer: str | None = Field(
        default=None, max_length=200, description="Only of this printer; an empty one: about no printer's meter."
    )
    limit: Limit = LIMIT
    after: Cursor = None


@router.get("/findings", responses=responses())
async def findings(
    request: Request, context: Context, asker: Asking, asked: Annotated[FindingsQuestion, Query()]
) -> Page[FindingShown]:
    """Findings with their evidence, the worst first, then the oldest. Evidence that is personal needs the act names."""
    period = asked.period_at(context.site)
    wanted = FindingFilter(asked.state, asked.kind, asked.printer, period.from_us, period.to_us, asked.severity)
    after = cast("Place | None", place_of(asked.after, PLACE))
    async with context.question() as held:
        found = await findings_of(held, wanted, asked.limit, after)
    names = asker.sees_names
    items = [FindingShown.of(one, found.booked.get(one.id), with_names=names) for one in found.findings]
    return Page(items=items, next=next_page(request, found.after))


@router.get("/findings/summary", responses=responses())
async def findings_summary(context: Context, asked: Annotated[PeriodAsked, Query()]) -> FindingsSummary:
    """Findings that began in a period, added up by the cause that people recorded, and by kind."""
    period = asked.period_at(context.site)
    async with context.question() as held:
        return FindingsSummary.model_validate(summary_json(await summary_of(held, period)))


@router.get("/findings/{finding}", responses=responses("not-found"))
async def one_finding(
    context: Context, asker: Asking, finding: FindingName, _: Annotated[Asked, Query()]
) -> FindingShown:
    """One finding, whatever its state, with all that was recorded about it."""
    async with context.question() as held:
        try:
            found = await finding_of(held, finding)
        except BadQuestion:
            problem = f"{finding[:40]!r} is no finding; /v1/findings lists them"
            raise ApiProblem("not-found", "finding", problem) from None
    [shown] = found.findings
    return FindingShown.of(shown, found.booked.get(shown.id), with_names=asker.sees_names)
