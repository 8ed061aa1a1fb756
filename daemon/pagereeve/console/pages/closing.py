"""``/accounts/{period}/closing``: what stands in the way of closing it, and the form that closes it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Query
from starlette.responses import HTMLResponse

from pagereeve.console.api.asker import Asking
from pagereeve.console.api.closing_told import Closing
from pagereeve.console.api.context import Context
from pagereeve.console.api.deciding.bodies import REASON_MAX
from pagereeve.console.api.paging import Asked
from pagereeve.console.pages.accounts import HERE, PeriodName, closed_by, named_period
from pagereeve.console.pages.begun import Beginning, BegunRoute
from pagereeve.console.pages.came import TEXTS, Came
from pagereeve.console.pages.forms import form_for
from pagereeve.console.pages.shell import Clock
from pagereeve.domain.accounts.closing import Concern, ConcernKind
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.values.address_step import one_step
from pagereeve.ports.closing import ClosedPeriod
from pagereeve.ports.reads import Reads
from pagereeve.queries.closing import ClosingLook, look_before_close
from pagereeve.reports.closing import concern_text, trouble_reason

router = APIRouter(include_in_schema=False, route_class=BegunRoute)


class AfterForm(Asked):
    """``came``: what came of the form that was sent from this page."""

    came: Came | None = None


@dataclass(frozen=True, slots=True)
class InTheWay:
    """A concern as a sentence, and where it is mended: pages about some of it, and one about all of it ("": none)."""

    text: str
    hinders: bool
    links: tuple[tuple[str, str], ...]
    more: int
    all_words: str
    all_link: str
    command: str


@router.get(f"{HERE}/{{name}}/closing")
async def closing(
    context: Context,
    asker: Asking,
    begun: Beginning,
    name: PeriodName,
    told: Closing,
    asked: Annotated[AfterForm, Query()],
) -> HTMLResponse:
    about = told if told is not None and told.period == name else None
    under_way = about is not None and not about.problem
    now_us = context.now_us()
    async with context.look() as held:
        period = await named_period(held, context.site, name)
    begun.shows("closing.html", asker, context.site.zone, HERE, now_us=now_us, period=period)
    async with context.question() as held:
        look, closed = await _looked(held, period, now_us, under_way=under_way)
    return begun.page(
        closed=closed_by(closed, asker),
        trouble=None if look.trouble is None else trouble_reason(period, look.trouble, Clock(period.zone).full),
        concerns=[in_the_way(one, period) for one in look.concerns],
        told=about if closed is None else None,
        other=told.period if told is not None and not told.problem and not under_way else "",
        form=form_for(asker, "periods"),
        # While it is closed, and after that, the page itself says so.
        came=None if asked.came == "closing" else asked.came,
        came_texts=TEXTS,
        reason_max=REASON_MAX,
    )


async def _looked(
    held: Reads, period: Period, now_us: int, *, under_way: bool
) -> tuple[ClosingLook, ClosedPeriod | None]:
    """What is closed, or being closed, is not gone through."""
    closed = next((one for one in await held.closed_periods() if one.name == period.name), None)
    skipped = closed is not None or under_way
    return ClosingLook(period, None) if skipped else await look_before_close(held, period, now_us), closed


def in_the_way(one: Concern, period: Period) -> InTheWay:
    text = concern_text(replace(one, names=()), Clock(period.zone).full)
    words, link, command = _mended(one.kind, period)
    links = tuple((_page_of(one.kind, name, period), name) for name in one.names)
    more = one.count - len(one.names) if one.names else 0
    return InTheWay(text[0].upper() + text[1:], one.hinders, links, more, words, link, command)


def _page_of(kind: ConcernKind, name: str, period: Period) -> str:
    if kind == "findings-open":
        return f"/findings/{one_step(name)}"
    if kind == "not-conserved":
        return f"{HERE}/{one_step(period.name)}/printer/{one_step(name)}"
    return f"/printers/{one_step(name)}"


def _mended(kind: ConcernKind, period: Period) -> tuple[str, str, str]:
    """In words where all of it stands, the address of that page, and a command where only one helps."""
    of = urlencode({"period": period.name})
    match kind:
        case "windows-open":
            return "the releases", f"/releases?{of}&verdict=open", ""
        case "findings-open":
            return "all of them", f"/findings?{of}", ""
        case "unproven":
            return "decisions about them", f"{HERE}/{one_step(period.name)}/decisions", ""
        case "pages-waiting" | "meters-silent":
            return "the printers", "/printers", ""
        case "sites-behind":
            return "what is wrong with them", f"/findings?{urlencode({'kind': 'site-behind'})}", "pagereeve doctor"
        case "rows-damaged" | "not-conserved":
            return "", "", "pagereeve verify" if kind == "rows-damaged" else "pagereeve replay --check"
