"""``/accounts/{period}/{kind}/{name}``: the statement of a person, a cost centre or a printer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Final
from urllib.parse import quote

from fastapi import APIRouter, Path, Query
from markupsafe import Markup
from starlette.responses import HTMLResponse

from pagereeve.console.api.asker import Asking
from pagereeve.console.api.context import Context
from pagereeve.console.api.problems import ApiProblem
from pagereeve.console.api.steps import STEP
from pagereeve.console.pages.accounts import HERE, PeriodName, closed_by, named_period
from pagereeve.console.pages.begun import Beginning, BegunRoute
from pagereeve.console.pages.downloads import statement_links
from pagereeve.console.pages.shell import figure
from pagereeve.domain.accounts.rates import Bill
from pagereeve.domain.ledger import Charge
from pagereeve.domain.values.address_step import one_step
from pagereeve.ports.reads import Reads
from pagereeve.queries.costs import Prices
from pagereeve.queries.findings import unknown_printer
from pagereeve.queries.statement_lines import Line, Statement, Subject, SubjectKind
from pagereeve.queries.statements import statement_of
from pagereeve.reports.as_closed import LACKS
from pagereeve.reports.costs import channel_pages_text
from pagereeve.reports.statements.account import account_of
from pagereeve.reports.statements.charts import chart_svg
from pagereeve.reports.statements.decided import decided_section
from pagereeve.reports.statements.words import (
    ADJUSTMENTS_SAY,
    CAUTIONS,
    FIGURES,
    GRADES,
    KINDS,
    LATE,
    NOT_JUDGED,
    channel_words,
    correction_words,
    summary_of,
    verdict_words,
    why_of,
)

RELEASES_SHOWN: Final = 500

router = APIRouter(include_in_schema=False, route_class=BegunRoute)


@dataclass(frozen=True, slots=True)
class ReleaseRow:
    """One release in one channel, with what its count rests on; ``owner`` is None where nobody is to be named."""

    charge: Charge
    link: str
    owner: str | None
    verdict: str
    grade: str
    grade_says: str
    why: str
    changed: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Chart:
    title: str
    picture: Markup
    spans: tuple[tuple[str, int, int], ...]
    by: str
    most: int


@router.get(f"{HERE}/{{period_name}}/{{kind}}/{{name:{STEP}}}")
async def statement(
    context: Context,
    asker: Asking,
    begun: Beginning,
    period_name: PeriodName,
    kind: SubjectKind,
    name: Annotated[str, Path(max_length=200)],
    after: Annotated[int, Query(ge=0, le=1_000_000)] = 0,
) -> HTMLResponse:
    """``after`` so many releases of the period."""
    if kind == "person":
        asker.require_names("kind")
    site = context.site
    async with context.look() as held:
        period = await named_period(held, site, period_name)
        if period.from_us <= 0:
            raise ApiProblem("bad-parameter", "period", "has no beginning; a statement is of a month, a term, or a day")
        if kind == "printer":
            await _require_known(held, name)
    begun.shows(
        "statement.html",
        *(asker, period.zone, HERE),
        now_us=context.now_us(),
        period_name=period_name,
        kind=kind,
        kind_words=KINDS[kind],
        name=name,
    )
    async with context.question() as held:
        prices = Prices(site.prices, site.price_classes)
        known = await statement_of(held, Subject(kind, name), period, prices, names=asker.sees_names)
    closed = known.as_closed
    return begun.page(
        statement=known,
        summary=summary_of(known, figure),
        closed=None if closed is None else closed_by(closed.closed, asker),
        closed_says=() if closed is None else [LACKS[one] for one in closed.lacks],
        changed=0 if closed is None else closed.changed,
        figures_say=FIGURES,
        adjustments_say=ADJUSTMENTS_SAY,
        grades=[(one, *_grade(one.grade)) for one in known.grades],
        cautions=[CAUTIONS[one] for one in known.cautions],
        amounts=_amounts(known.bill),
        unpriced=channel_pages_text(known.bill.unpriced, figure)
        if known.bill is not None and known.bill.unpriced
        else "",
        charts=_charts(known),
        account=Markup(account_of(known, figure)),  # noqa: S704 - escaped where it is made
        decided=Markup(decided_section(known, figure)),  # noqa: S704 - escaped where it is made
        channel_words=channel_words,
        rows=[row for line in known.lines[after : after + RELEASES_SHOWN] for row in _rows(line, known)],
        after=after,
        shown=RELEASES_SHOWN,
        files=statement_links(period_name, kind, name, asker),
        address=f"{HERE}/{one_step(period_name)}/{kind}/{one_step(name)}",
    )


async def _require_known(held: Reads, printer: str) -> None:
    nearest = await unknown_printer(held, printer)
    if nearest is not None:
        meant = f"; {nearest!r} is" if nearest else ""
        raise ApiProblem("not-found", "name", f"no printer {printer[:60]!r} is known to the journal{meant}")


def _grade(grade: object) -> tuple[str, str]:
    """Its name, and what it says."""
    return next(((known.value, says) for known, says in GRADES.items() if known is grade), (NOT_JUDGED, ""))


def _amounts(bill: Bill | None) -> str:
    """Nothing where the site has no prices."""
    if bill is None:
        return ""
    return ", ".join(f"{one.text} {one.currency}" for one in bill.amounts()) or "nothing"


def _charts(known: Statement) -> list[Chart]:
    return [
        Chart(
            title=f"{channel_words(one.channel, one.unit)}: pages a {one.by}",
            picture=Markup(chart_svg(one, f"hatch{nth}", figure)),  # noqa: S704 - escaped where it is made
            spans=tuple(span for span in one.spans if span[1] or span[2]),
            by=one.by,
            most=max((charged + unproven for _, charged, unproven in one.spans), default=0),
        )
        for nth, one in enumerate(known.charts)
    ]


def _rows(line: Line, known: Statement) -> list[ReleaseRow]:
    zone = known.period.zone
    changed = tuple(correction_words(one, zone) for one in line.corrections)
    changed += (LATE,) if line.late and not changed else ()
    return [_row(charge, known, changed) for charge in (line.charges or line.parts[:1])]


def _row(charge: Charge, known: Statement, changed: tuple[str, ...]) -> ReleaseRow:
    key = charge.release
    grade, says = _grade(charge.grade)
    return ReleaseRow(
        charge=charge,
        link=f"/releases/{one_step(key.release)}?source={quote(key.source, safe='')}",
        owner=charge.owner if known.named else None,
        verdict=verdict_words(charge.verdict),
        grade=grade,
        grade_says=says,
        why="; ".join(why_of(charge)),
        changed=changed,
    )
