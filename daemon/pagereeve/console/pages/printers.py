"""``/printers``: does every meter answer? By gateway, so that one silent printer and a silent gateway differ."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Annotated, Final, Literal, Self

from fastapi import APIRouter, Query, Request
from pydantic import Field
from starlette.responses import HTMLResponse

from pagereeve.console.api.asker import Asking
from pagereeve.console.api.context import Context
from pagereeve.console.api.paging import Asked, Cursor, next_page, place_of
from pagereeve.console.api.site import AskedGateway, AskedPrinter, AskedSite
from pagereeve.console.pages.begun import Beginning, BegunRoute
from pagereeve.domain.brackets.prints import SHEETS, TOTAL
from pagereeve.domain.facts.reading import Count
from pagereeve.domain.findings.wording import SILENCES
from pagereeve.queries.meters import Fleet, MeterStanding, MeterState, fleet_of

HERE: Final = "/printers"
ROWS_MAX: Final = 100
# A page's end: whether the last printer is behind no gateway, its gateway, its name.
PLACE: Final = (int, str, str)
Shown = Literal["all", "silent", "never-read", "findings"]

router = APIRouter(include_in_schema=False, route_class=BegunRoute)


class PrintersAsked(Asked):
    """``q`` is a part of a printer's, a gateway's or a place's name."""

    q: str = Field(default="", max_length=100)
    show: Shown = "all"
    after: Cursor = None


@dataclass(frozen=True, slots=True)
class Line:
    """A printer in the list. ``registered``: the settings have it. ``count`` is the billed channel's."""

    name: str
    gateway: str
    site: str
    registered: bool
    state: MeterState
    count: Count | None
    why: str

    @classmethod
    def of(cls, name: str, known: AskedPrinter | None, state: MeterState) -> Self:
        return cls(
            name=name,
            gateway="" if known is None else known.gateway or "",
            site="" if known is None else known.site,
            registered=known is not None,
            state=state,
            count=None
            if state.plateau is None
            else state.plateau.sight.count(TOTAL) or state.plateau.sight.count(SHEETS),
            why="" if state.silence is None else SILENCES[state.silence.reason],
        )

    @property
    def place(self) -> tuple[int, str, str]:
        """Those behind no gateway come last."""
        return int(not self.gateway), self.gateway, self.name

    @property
    def findings(self) -> int:
        return sum(self.state.findings.values())

    def matches(self, asked: PrintersAsked) -> bool:
        wanted = asked.q.casefold()
        named = any(wanted in one.casefold() for one in (self.name, self.gateway, self.site))
        shown = {
            "all": True,
            "silent": self.state.standing == "silent",
            "never-read": self.state.standing == "never-read",
            "findings": self.findings > 0,
        }
        return named and shown[asked.show]


@dataclass(frozen=True, slots=True)
class Group:
    """Printers of one gateway ("": of none) that the page shows. ``standings`` are of all that are behind it."""

    gateway: str
    known: AskedGateway | None
    down_us: int | None
    standings: Counter[MeterStanding]
    lines: Sequence[Line]

    @property
    def printers(self) -> int:
        return self.standings.total()


@router.get(HERE)
async def printers(
    request: Request, context: Context, asker: Asking, begun: Beginning, asked: Annotated[PrintersAsked, Query()]
) -> HTMLResponse:
    after = place_of(asked.after, PLACE)
    begun.shows("printers.html", asker, context.site.zone, HERE, now_us=context.now_us())
    async with context.question() as held:
        fleet = await fleet_of(held)
    lines = lines_of(context.site, fleet)
    found = [one for one in lines if one.matches(asked)]
    behind = [one for one in found if after is None or one.place > after]
    shown = behind[:ROWS_MAX]
    following = next_page(request, shown[-1].place) if len(behind) > len(shown) else None
    return begun.page(
        asked=asked,
        groups=groups_of(context.site, fleet, lines, shown),
        standings=Counter(one.state.standing for one in lines),
        printers=len(lines),
        found=len(found),
        first=len(found) - len(behind) + 1,
        last=len(found) - len(behind) + len(shown),
        following=following,
        gateways=len(context.site.gateways),
    )


def lines_of(site: AskedSite, fleet: Fleet) -> list[Line]:
    """The printers of the settings, and those that the journal alone knows, by gateway and name."""
    known = {one.name: one for one in site.printers}
    names = known.keys() | fleet.meters.keys()
    return sorted((Line.of(name, known.get(name), fleet.meter(name)) for name in names), key=lambda one: one.place)


def groups_of(site: AskedSite, fleet: Fleet, lines: Iterable[Line], shown: Iterable[Line]) -> list[Group]:
    standings: dict[str, Counter[MeterStanding]] = {}
    for one in lines:
        standings.setdefault(one.gateway, Counter())[one.state.standing] += 1
    gateways = {one.name: one for one in site.gateways}
    return [
        Group(name, gateways.get(name), fleet.down.get(name), standings[name], list(some))
        for name, some in groupby(shown, key=lambda one: one.gateway)
    ]
