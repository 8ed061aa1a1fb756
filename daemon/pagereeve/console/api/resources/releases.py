"""``/v1/releases``: what was released, the newest first."""

from __future__ import annotations

from typing import Annotated, Final, Literal, cast

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, Field

from pagereeve.console.api.asker import Asker, Asking
from pagereeve.console.api.context import Context
from pagereeve.console.api.etags import TaggedRoute
from pagereeve.console.api.paging import LIMIT, Asked, Cursor, Limit, Page, next_page, place_of
from pagereeve.console.api.problems import responses
from pagereeve.domain.accounts.totals import OPEN
from pagereeve.domain.ledger import Charge, Grade
from pagereeve.domain.values.instants import to_text
from pagereeve.ports.releases import ReleaseFilter, ReleasePlace, VerdictAsked
from pagereeve.queries.releases import ReleasesAsked, releases_page

router = APIRouter(route_class=TaggedRoute, tags=["releases"])

GradeName = Literal["tight", "inferred", "matched", "shared", "wide", "broken", "blind"]
# A page's end: start, printer, source, release, channel.
PLACE: Final = (int, str, str, str, str)


class ReleaseCharge(BaseModel):
    """A channel of a release. ``released``: claimed by the server; ``counted``: by the meter; ``charged``: by policy;
    ``unproven``: claimed, and no count supports it. null is unknown; ``person`` is null too for who may not see names.
    """

    started: str = Field(description="RFC 3339, in UTC")
    printer: str
    person: str | None
    release: str
    source: str
    channel: str
    unit: str | None
    released: int | None
    counted: int | None
    charged: int
    unproven: int
    verdict: str
    grade: str | None

    @classmethod
    def of(cls, charge: Charge, asker: Asker) -> ReleaseCharge:
        return cls(
            started=to_text(charge.started_us),
            printer=charge.printer,
            person=(charge.owner or None) if asker.sees_names else None,
            release=charge.release.release,
            source=charge.release.source,
            channel=charge.channel,
            unit=None if charge.unit is None else charge.unit.value,
            released=charge.released,
            counted=charge.counted,
            charged=charge.charged,
            unproven=charge.unproven,
            verdict=OPEN if charge.verdict is None else charge.verdict.value,
            grade=None if charge.grade is None else charge.grade.value,
        )


class ReleasesQuestion(Asked):
    """Which releases are meant; each parameter leaves out others."""

    printer: str | None = Field(default=None, max_length=200, description="Only of this printer.")
    person: str | None = Field(
        default=None,
        max_length=200,
        description="Only of this person: a login, or what a list says of it. Needs the act names.",
    )
    cost_centre: str | None = Field(
        default=None,
        max_length=200,
        description="Only of people who belonged to it then; an empty one: people of none.",
    )
    verdict: VerdictAsked | None = Field(default=None, description="Only this verdict; open: none yet.")
    grade: GradeName | None = Field(default=None, description="Only evidence of this grade.")
    period: str | None = Field(default=None, max_length=100, description="2026-11, 2026-W48, or a name of [[periods]].")
    from_: str | None = Field(
        default=None, alias="from", max_length=40, description="Beginning: a local date, or an RFC 3339 time."
    )
    to: str | None = Field(default=None, max_length=40, description="End, not included.")
    limit: Limit = LIMIT
    after: Cursor = None


@router.get("/releases", responses=responses())
async def releases(
    request: Request, context: Context, asker: Asking, asked: Annotated[ReleasesQuestion, Query()]
) -> Page[ReleaseCharge]:
    """What was released, a line each, the newest first: claimed, counted, charged, unproven, verdict, grade."""
    if asked.person is not None:
        asker.require_names("person")
    period = context.site.chosen(asked.period, asked.from_, asked.to)
    grade = None if asked.grade is None else Grade(asked.grade)
    wanted = ReleaseFilter(asked.printer, None, asked.verdict, grade, period.from_us, period.to_us)
    after = cast("ReleasePlace | None", place_of(asked.after, PLACE))
    async with context.question() as held:
        page = await releases_page(held, ReleasesAsked(wanted, asked.cost_centre, asked.person), asked.limit, after)
    items = [ReleaseCharge.of(one, asker) for one in page.charges]
    return Page(items=items, next=next_page(request, page.after))
