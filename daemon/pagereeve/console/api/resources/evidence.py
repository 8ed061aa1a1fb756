"""``/v1/evidence/{release}``: the whole chain of evidence for a release."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query
from pydantic import Field

from pagereeve.console.api.asker import Asker, Asking
from pagereeve.console.api.context import Context
from pagereeve.console.api.etags import TaggedRoute
from pagereeve.console.api.models.evidence import EvidenceAnswer
from pagereeve.console.api.paging import Asked
from pagereeve.console.api.problems import responses
from pagereeve.console.api.resources.release import ReleaseInPath, Source, not_found, other_source
from pagereeve.console.api.steps import STEP
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.queries.explain import Explained, explained
from pagereeve.queries.near_releases import NoSuchRelease
from pagereeve.queries.own_view import for_anybody, for_its_owner
from pagereeve.reports.explain import explain_json

router = APIRouter(route_class=TaggedRoute, tags=["releases"])


class EvidenceQuestion(Asked):
    source: Source = None
    names: bool = Field(
        default=False, description="Name other people than its owner too, and show free texts. Needs the act names."
    )


@router.get(f"/evidence/{{release:{STEP}}}", responses=responses("not-found"), response_model_exclude_unset=True)
async def evidence(
    context: Context, asker: Asking, release: ReleaseInPath, asked: Annotated[EvidenceQuestion, Query()]
) -> list[EvidenceAnswer]:
    """Why a release is charged what it is, an item for each release of that name: as explain --json prints it."""
    if asked.names:
        asker.require_names("names")
    async with context.question() as held:
        try:
            known = await explained(held, release, asked.source)
        except NoSuchRelease as error:
            raise not_found(error) from error
        except BadQuestion as error:
            raise other_source(error) from error
    seen = [_seen(one, asker, names=asked.names) for one in known]
    bodies = [explain_json(one, context.site.zone) for one in seen]
    return [EvidenceAnswer.model_validate(body if asker.sees_names else _nobodys(body)) for body in bodies]


def _seen(known: Explained, asker: Asker, *, names: bool) -> Explained:
    """As the command shows it; nobody at all is named to who may not see names."""
    if not asker.sees_names:
        return for_anybody(known)
    return known if names else for_its_owner(known)


def _nobodys(body: dict[str, Any]) -> dict[str, Any]:
    """What is not shown is null, as everywhere."""
    unnamed = {"owner": None, "job": None}
    hidden = {name: [one | unnamed for one in body[name]] for name in ("charges", "shared_with")}
    return body | hidden
