"""``/accounts/{period}``: where its pages went, by whom, and what was lost."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Final, Literal

from fastapi import APIRouter, Query
from starlette.responses import HTMLResponse

from pagereeve.console.api.asker import Asking
from pagereeve.console.api.context import Context
from pagereeve.console.pages.accounts import HERE, PeriodName, closed_by, named_period
from pagereeve.console.pages.begun import Beginning, BegunRoute
from pagereeve.console.pages.downloads import LANGUAGES, export_links
from pagereeve.console.pages.period_tables import account_tables
from pagereeve.console.pages.shell import Clock
from pagereeve.domain.accounts.adjustment_rows import adjusted
from pagereeve.domain.accounts.losses import Cause
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.accounts.totals import By
from pagereeve.domain.brackets.expectation import CLAIMED_CHANNELS
from pagereeve.ports.closing import ClosedPeriod
from pagereeve.ports.reads import Reads
from pagereeve.queries.account_periods import line_of
from pagereeve.queries.closed_periods import closed_as, closed_totals
from pagereeve.queries.losses import Loss, LossesAnswer, LossesBy, LossSum, losses_of
from pagereeve.queries.totals import TotalsAnswer, totals_of
from pagereeve.reports.losses import ADVISED_MAX, EFFECTS, cause_words
from pagereeve.reports.sites_behind import behind_line
from pagereeve.reports.statements.words import HOUSE_ACCOUNT_WORDS

DIFFERING_MAX: Final = 50
LOSSES_MAX: Final = 100
BYS: Final[tuple[tuple[By, str], ...]] = (
    ("cost-centre", "cost centre"),
    ("person", "person"),
    ("printer", "printer"),
)

router = APIRouter(include_in_schema=False, route_class=BegunRoute)


@dataclass(frozen=True, slots=True)
class Lost:
    """A line of losses: of a printer or a cause, each account in words."""

    who: str
    printer: bool
    channel: str
    unit: str
    accounts: tuple[tuple[str, int], ...]
    sums: LossSum


@dataclass(frozen=True, slots=True)
class Advice:
    printer: str
    cause: str
    pages: int
    words: str
    effect: str


@router.get(f"{HERE}/{{name}}")
async def period(
    context: Context, asker: Asking, begun: Beginning, name: PeriodName, by: Annotated[By, Query()] = "cost-centre"
) -> HTMLResponse:
    if by == "person":
        asker.require_names("by")
    now_us, site = context.now_us(), context.site
    async with context.look() as held:
        await named_period(held, site, name)
    begun.shows(
        "period.html",
        asker,
        site.zone,
        HERE,
        now_us=now_us,
        name=name,
        command=f"pagereeve totals --period {name} --by {by}",
    )
    async with context.question() as held:
        asked = await named_period(held, site, name)
        closed = await closed_as(held, asked)
        answer = await _totals(held, asked, closed, by)
    accounts = answer.accounts
    differing = [one for one in accounts.lines if not one.conserved]
    return begun.page(
        period=answer.period,
        line=line_of(answer.period, accounts, closed),
        closed=closed_by(closed, asker),
        waiting=[one for one in accounts.lines if one.releases_waiting and one.channel in CLAIMED_CHANNELS],
        differing=differing[:DIFFERING_MAX],
        differing_left=max(0, len(differing) - DIFFERING_MAX),
        adjusted=adjusted(answer.corrections),
        tables=account_tables(name, by, answer.rows()),
        by=by,
        bys=[(key, words) for key, words in BYS if key != "person" or asker.sees_names],
        exports=export_links(name, asker),
        locales=LANGUAGES,
        conserved=answer.conserved,
        behind=behind_line(answer.sites_behind, Clock(answer.period.zone).full) if answer.sites_behind else "",
    )


async def _totals(held: Reads, asked: Period, closed: ClosedPeriod | None, by: By) -> TotalsAnswer:
    return await totals_of(held, asked, by) if closed is None else await closed_totals(held, closed, by)


@router.get(f"{HERE}/{{name}}/losses")
async def losses(
    context: Context, asker: Asking, begun: Beginning, name: PeriodName, by: Annotated[LossesBy, Query()] = "printer"
) -> HTMLResponse:
    """Pages for which nobody pays, and what would help."""
    now_us, site = context.now_us(), context.site
    async with context.look() as held:
        await named_period(held, site, name)
    begun.shows(
        "losses.html",
        asker,
        site.zone,
        HERE,
        now_us=now_us,
        name=name,
        command=f"pagereeve losses --period {name} --by {by}",
    )
    async with context.question() as held:
        asked = await named_period(held, site, name)
        answer = await losses_of(held, asked, by)
    lines = [one for one in answer.lines if one.billed]
    advised = [one for one in answer.losses if one.key.billed and one.pages and one.remedy.kind != "nothing"]
    return begun.page(
        by=by,
        lines=[_lost(one) for one in lines[:LOSSES_MAX]],
        left=max(0, len(lines) - LOSSES_MAX),
        advice=[_advice(one) for one in advised[:ADVISED_MAX]],
        advice_left=max(0, len(advised) - ADVISED_MAX),
        before=answer.before,
        before_partly=answer.before_partly,
        verdict=_verdict(answer),
    )


def _verdict(answer: LossesAnswer) -> Literal["nothing", "some"]:
    return "some" if any(one.billed and (one.nobodys or one.unproven) for one in answer.lines) else "nothing"


def _lost(one: LossSum) -> Lost:
    of_cause = isinstance(one.who, Cause)
    accounts = [
        (HOUSE_ACCOUNT_WORDS[name], pages) for name, pages in one.accounts.items() if name in HOUSE_ACCOUNT_WORDS
    ]
    accounts = sorted(((words, pages) for words, pages in accounts if pages), key=lambda known: -abs(known[1]))
    who = cause_words(one.who) if isinstance(one.who, Cause) else one.who
    return Lost(who, not of_cause, one.channel, one.unit, tuple(accounts), one)


def _advice(one: Loss) -> Advice:
    key = one.key
    words = one.remedy.words.rstrip(".")
    words = f"{words[:1].upper()}{words[1:]}."
    return Advice(key.printer, cause_words(key.cause), one.pages, words, EFFECTS[one.remedy.effect])
