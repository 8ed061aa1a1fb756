"""``/v1/releases/{release}``: what came of one release."""

from __future__ import annotations

from typing import Annotated, Final, cast

from fastapi import APIRouter, Path, Query, Request
from pydantic import BaseModel, Field

from pagereeve.console.api.asker import Asker, Asking
from pagereeve.console.api.context import Context
from pagereeve.console.api.etags import TaggedRoute
from pagereeve.console.api.links import evidence_link, finding_link, printer_link, release_link
from pagereeve.console.api.models.decisions import DecisionShown
from pagereeve.console.api.paging import LIMIT, Asked, Cursor, Limit, Page, next_page, place_of
from pagereeve.console.api.problems import ApiProblem, responses
from pagereeve.console.api.resources.releases import ReleaseCharge
from pagereeve.console.api.steps import STEP
from pagereeve.domain.facts.events import NAME_MAX
from pagereeve.domain.facts.facts import Outcome
from pagereeve.domain.ledger import Finding, FindingState, Severity
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.instants import to_text
from pagereeve.queries.near_releases import NoSuchRelease
from pagereeve.queries.release_standing import ReleaseStanding, ReleaseState, StandingPlace, standings_page
from pagereeve.reports.rows_json import instant_json

router = APIRouter(route_class=TaggedRoute, tags=["releases"])

SOURCE_MAX: Final = 1_024
"""As long as an event's source may be (feeds/http/cloudevents.py)."""
ReleaseInPath = Annotated[
    str,
    Path(max_length=NAME_MAX, description="The release, as its source names it; a slash in it is written %2F or /."),
]
Source = Annotated[
    str | None, Field(max_length=SOURCE_MAX, description="Only of this source, if several sources use the name.")
]
# A page's end: start, printer, source.
PLACE: Final = (int, str, str)


class FindingLink(BaseModel):
    """A finding that names the release. ``link`` has the whole of it."""

    id: str
    kind: str
    severity: Severity
    state: FindingState
    link: str

    @classmethod
    def of(cls, one: Finding) -> FindingLink:
        return cls(id=one.id, kind=one.kind, severity=one.severity, state=one.state, link=finding_link(one.id))


class ReleaseLinks(BaseModel):
    self: str
    evidence: str
    printer: str


class ReleaseAnswer(BaseModel):
    """What came of a release. ``state``: received (its notice is stored, nothing was worked out of it yet), running
    (its end was not reported yet), not-judged-yet (it ended, its count is still open), judged, printer-unknown (its
    printer is in no settings, so nobody counts its pages). ``charges`` are as counts and policy give them, each channel
    for itself; what people changed since stands in ``decisions``.
    """

    source: str
    release: str
    printer: str
    state: ReleaseState
    started: str
    ended: str | None
    outcome: Outcome | None
    charges: list[ReleaseCharge]
    findings: list[FindingLink]
    decisions: list[DecisionShown]
    links: ReleaseLinks

    @classmethod
    def of(cls, one: ReleaseStanding, asker: Asker) -> ReleaseAnswer:
        links = ReleaseLinks(
            self=release_link(one.key), evidence=evidence_link(one.key), printer=printer_link(one.printer)
        )
        return cls(
            source=one.key.source,
            release=one.key.release,
            printer=one.printer,
            state=one.state,
            started=to_text(one.started_us),
            ended=instant_json(one.ended_us),
            outcome=one.outcome,
            charges=[ReleaseCharge.of(charge, asker) for charge in one.charges],
            findings=[FindingLink.of(finding) for finding in one.findings],
            decisions=[DecisionShown.of(ruling, with_names=asker.sees_names) for ruling in one.decided],
            links=links,
        )


class ReleaseQuestion(Asked):
    source: Source = None
    limit: Limit = LIMIT
    after: Cursor = None


def not_found(error: NoSuchRelease) -> ApiProblem:
    """With releases that may have been meant: their names are no secret to who may read."""
    near = [f"{one.release.release!r} of {one.release.source!r}" for one in error.near]
    meant = f"; near it: {', '.join(near)}" if near else ""
    return ApiProblem("not-found", "release", f"{error.problem}{meant}")


def other_source(error: BadQuestion) -> ApiProblem | BadQuestion:
    """Where the release is known of other sources alone, it is not there."""
    return ApiProblem("not-found", "release", error.problem) if error.where == "RELEASE" else error


@router.get(f"/releases/{{release:{STEP}}}", responses=responses("not-found"))
async def release(
    request: Request,
    context: Context,
    asker: Asking,
    release: ReleaseInPath,
    asked: Annotated[ReleaseQuestion, Query()],
) -> Page[ReleaseAnswer]:
    """What came of a release: its state, charges, findings and decisions; several where a name was used again."""
    after = cast("StandingPlace | None", place_of(asked.after, PLACE))
    async with context.question() as held:
        try:
            page = await standings_page(held, release, asked.source, asked.limit, after)
        except NoSuchRelease as error:
            raise not_found(error) from error
    items = [ReleaseAnswer.of(one, asker) for one in page.standings]
    return Page(items=items, next=next_page(request, page.after))
