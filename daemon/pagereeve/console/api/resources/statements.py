"""``/v1/statements/{of}/{name}``: the statement of a person, a cost centre or a printer."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Query
from pydantic import Field

from pagereeve.console.api.asked_period import PeriodAsked
from pagereeve.console.api.asker import Asker, Asking
from pagereeve.console.api.context import ApiContext, Context
from pagereeve.console.api.etags import TaggedRoute
from pagereeve.console.api.models.statements import StatementAnswer
from pagereeve.console.api.nameless import without_closer
from pagereeve.console.api.problems import ApiProblem, responses
from pagereeve.console.api.steps import STEP
from pagereeve.ports.reads import Reads
from pagereeve.queries.costs import Prices
from pagereeve.queries.findings import unknown_printer
from pagereeve.queries.statement_lines import Statement, Subject, SubjectKind
from pagereeve.queries.statements import statement_of
from pagereeve.reports.statements.as_json import statement_json

router = APIRouter(route_class=TaggedRoute, tags=["accounts"])

SubjectName = Annotated[
    str,
    Path(
        max_length=200,
        description="A login or what a list says of a person; a cost centre (empty: of none); a printer.",
    ),
]


class StatementQuestion(PeriodAsked):
    """A period is needed: a month, a term, or from a date on."""

    names: bool = Field(
        default=False, description="Name the people in a cost centre's or a printer's statement. Needs the act names."
    )


@router.get(f"/statements/{{of}}/{{name:{STEP}}}", responses=responses("not-found"), response_model_exclude_unset=True)
async def statement(
    context: Context,
    asker: Asking,
    of: SubjectKind,
    name: SubjectName,
    asked: Annotated[StatementQuestion, Query()],
) -> StatementAnswer:
    """Every release of a period with its evidence, and sums. A person's needs the act names."""
    known = await asked_statement(context, asker, of, name, asked)
    body = statement_json(known, context.zone_database(known.period.zone.key))
    return StatementAnswer.model_validate(without_closer(body, asker))


async def asked_statement(
    context: ApiContext, asker: Asker, of: SubjectKind, name: str, asked: StatementQuestion
) -> Statement:
    """Raises ApiProblem where it may not be asked for, or is of nothing."""
    if of == "person" or asked.names:
        asker.require_names("names" if asked.names else "of")
    period, site = asked.period_at(context.site), context.site
    if period.from_us <= 0:
        raise ApiProblem("bad-parameter", "period", "is needed: a statement is of a month, a term, or from a date on")
    async with context.question() as held:
        if of == "printer":
            await _require_known(held, name)
        prices = Prices(site.prices, site.price_classes)
        return await statement_of(held, Subject(of, name), period, prices, names=asked.names)


async def _require_known(held: Reads, printer: str) -> None:
    nearest = await unknown_printer(held, printer)
    if nearest is not None:
        meant = f"; {nearest!r} is" if nearest else ""
        raise ApiProblem("not-found", "name", f"no printer {printer[:60]!r} is known to the journal{meant}")
