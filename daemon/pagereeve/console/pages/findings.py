"""``/findings``: where pages, releases, badges and clocks disagree, those about the most pages first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Final, Literal, cast
from urllib.parse import urlencode

from fastapi import APIRouter, Query
from pydantic import Field
from starlette.responses import HTMLResponse

from pagereeve.console.api.asker import Asking
from pagereeve.console.api.context import Context
from pagereeve.console.api.paging import Asked, Cursor, cursor_of, place_of
from pagereeve.console.pages.begun import Beginning, BegunRoute
from pagereeve.console.pages.came import TEXTS, Came
from pagereeve.console.pages.finding_lines import advice_on, line_of
from pagereeve.console.pages.forms import TOGETHER_MAX, form_for
from pagereeve.console.pages.shell import Clock
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.findings.finding import SEVERITY
from pagereeve.domain.ledger import FindingState
from pagereeve.ports.findings import DearPlace, FindingFilter
from pagereeve.queries.dearest import DearestAnswer, dearest_of

HERE: Final = "/findings"
SHOWN: Final = 50
STATES: Final[Mapping[str, str]] = {"open": "open", "explained": "explained", "closed": "closed", "any": "in any state"}

# A page's end, as ports.findings.DearPlace.
PLACE: Final = (int, int, int, str, str, int, int)

router = APIRouter(include_in_schema=False, route_class=BegunRoute)


class ListAsked(Asked):
    """What a form leaves empty is not asked for. Of a period are those that began in it. ``came``: what came of a
    form that decided on several, ``done`` of ``of``.
    """

    state: Literal["", "open", "explained", "closed", "any"] = ""
    kind: str = Field(default="", max_length=100)
    printer: str = Field(default="", max_length=200)
    period: str = Field(default="", max_length=100)
    after: Cursor = None
    came: Came | None = None
    done: int = Field(default=0, ge=0, le=TOGETHER_MAX)
    of: int = Field(default=0, ge=0, le=TOGETHER_MAX)

    @property
    def state_shown(self) -> str:
        return self.state or "open"

    def filter(self, period: Period) -> FindingFilter:
        state = None if self.state == "any" else cast("FindingState", self.state_shown)
        return FindingFilter(state, self.kind or None, self.printer or None, period.from_us, period.to_us)

    def link(self, **changed: str) -> str:
        """The same list with something else asked for, from its first page on."""
        asked = {"state": self.state, "kind": self.kind, "printer": self.printer, "period": self.period} | changed
        query = urlencode({name: value for name, value in asked.items() if value}, errors="surrogateescape")
        return f"{HERE}?{query}" if query else HERE


@dataclass(frozen=True, slots=True)
class Choice:
    """A link that asks for another part of the list; ``chosen``: it is the part that is shown."""

    title: str
    note: str
    findings: int
    pages: int
    link: str
    chosen: bool


@router.get(HERE)
async def findings(
    context: Context, asker: Asking, begun: Beginning, asked: Annotated[ListAsked, Query()]
) -> HTMLResponse:
    wanted = asked.filter(context.site.chosen(asked.period or None))
    after = cast("DearPlace | None", place_of(asked.after, PLACE))
    clock = Clock(context.site.zone)
    begun.shows("findings.html", asker, context.site.zone, HERE, now_us=context.now_us())
    async with context.question() as held:
        answer = await dearest_of(held, wanted, SHOWN, after)
    following = None if answer.after is None else asked.link(after=cursor_of(answer.after))
    return begun.page(
        asked=asked,
        answer=answer,
        total=answer.count(wanted.kind),
        pages=sum(one.pages for one in answer.kinds if wanted.kind in {None, one.kind}),
        lines=[line_of(one, clock) for one in answer.findings],
        states=_states(asked),
        kinds=_kinds(asked, answer),
        known=answer.known,
        all_kinds=sorted(SEVERITY),
        state_words=STATES,
        following=following,
        is_first=after is None,
        form=form_for(asker),
        came_texts=TEXTS,
    )


def _states(asked: ListAsked) -> list[tuple[str, str, bool]]:
    """Title, link, and whether it is the one that is shown. To count the others would take longer than the page."""
    return [
        (title, asked.link(state="" if state == "open" else state), state == asked.state_shown)
        for state, title in STATES.items()
    ]


def _kinds(asked: ListAsked, answer: DearestAnswer) -> list[Choice]:
    """A link to the kind; the one that is shown leads back to all."""
    return [
        Choice(
            one.kind,
            advice_on(one.kind).headline,
            one.findings,
            one.pages,
            asked.link(kind="" if one.kind == asked.kind else one.kind),
            one.kind == asked.kind,
        )
        for one in answer.kinds
    ]
