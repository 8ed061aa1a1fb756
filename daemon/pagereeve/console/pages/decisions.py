"""``/accounts/{period}/decisions``: what people decided about its pages, and what nobody has decided on yet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Final, cast
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from pydantic import Field
from starlette.responses import HTMLResponse

from pagereeve.console.api.asker import Asker, Asking
from pagereeve.console.api.context import Context
from pagereeve.console.api.paging import Asked, Cursor, next_page, place_of
from pagereeve.console.api.resources.releases import PLACE
from pagereeve.console.pages.accounts import HERE, PeriodName, closed_by, named_period
from pagereeve.console.pages.begun import Beginning, BegunRoute
from pagereeve.console.pages.came import TEXTS, Came
from pagereeve.console.pages.decided import OFFERED, Said, ruling_said, subject_of
from pagereeve.console.pages.forms import TOGETHER_MAX, form_for
from pagereeve.console.pages.release import link_of
from pagereeve.console.pages.units import unit_said
from pagereeve.domain.accounts.decisions import Ruling
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.facts.owners import owner_key
from pagereeve.domain.ledger import Charge, ReleaseKey, is_person, owner_of
from pagereeve.domain.values.address_step import one_step
from pagereeve.ports.reads import Reads
from pagereeve.ports.releases import ReleasePlace
from pagereeve.queries.closed_periods import closed_as
from pagereeve.queries.decidable import Decidable, decidable_of
from pagereeve.queries.page_decisions import ruled
from pagereeve.queries.people import people_of
from pagereeve.queries.releases import person_of
from pagereeve.queries.unproven import unproven_page

ROWS_MAX: Final = TOGETHER_MAX
DECIDED_MAX: Final = 200

router = APIRouter(include_in_schema=False, route_class=BegunRoute)


class DecisionsShown(Asked):
    """``person``: only what is about that person's releases; needs the act names. ``came``: what came of a form of this
    page, ``done`` of ``of``.
    """

    person: str = Field(default="", max_length=200)
    after: Cursor = None
    came: Came | None = None
    done: int = Field(default=0, ge=0, le=TOGETHER_MAX)
    of: int = Field(default=0, ge=0, le=TOGETHER_MAX)


@dataclass(frozen=True, slots=True)
class Row:
    """A release with a claim that no count supports; ``left`` of its pages are not decided on. ``owner`` is None where
    nobody is to be named.
    """

    charge: Charge
    of: str
    link: str
    owner: str | None
    left: int


@router.get(f"{HERE}/{{name}}/decisions")
async def decisions(
    request: Request,
    context: Context,
    asker: Asking,
    begun: Beginning,
    name: PeriodName,
    asked: Annotated[DecisionsShown, Query()],
) -> HTMLResponse:
    if asked.person:
        asker.require_names("person")
    now_us = context.now_us()
    after = cast("ReleasePlace | None", place_of(asked.after, PLACE))
    async with context.look() as held:
        await named_period(held, context.site, name)
    begun.shows("decisions.html", *(asker, context.site.zone, HERE), now_us=now_us, name=name, person=asked.person)
    async with context.question() as held:
        period = await named_period(held, context.site, name)
        closed = await closed_as(held, period)
        rulings = [one for one in await ruled(held) if period.holds(_at_us(one))]
        if asked.person:
            rulings = await _about(held, rulings, asked.person)
        found = await unproven_page(held, period, asked.person or None, ROWS_MAX, after)
        left = await decidable_of(held, found.charges, now_us, ("unproven",))
    newest = sorted(rulings, key=lambda one: -one.decided.origin.received_us)
    return begun.page(
        closed=closed_by(closed, asker),
        decided=[_said(one, asker) for one in newest[:DECIDED_MAX]],
        decided_left=max(0, len(newest) - DECIDED_MAX),
        rows=_rows(left, asker),
        unit_says=unit_said(one.charge.unit for one in left),
        following=next_page(request, found.after),
        is_first=after is None,
        form=form_for(asker, "pages"),
        offered=OFFERED,
        back=_address(period, asked),
        asked=asked,
        came_texts=TEXTS,
    )


def _at_us(one: Ruling) -> int:
    """Where its pages belong; of one that never posted anything, when it was made."""
    return one.decided.origin.at_us if one.posting is None else one.posting.at_us


async def _about(held: Reads, rulings: Sequence[Ruling], person: str) -> list[Ruling]:
    """Those that are about that person's releases, or give pages to that person."""
    people = await people_of(held)
    meant, key = person_of(people, person), owner_key(person)

    def is_meant(owner: str, at_us: int) -> bool:
        return people.who(owner, at_us).person == meant if meant else owner_key(owner) == key

    return [one for one in rulings if any(is_meant(owner, _at_us(one)) for owner in _owners(one))]


def _owners(one: Ruling) -> list[str]:
    posting = one.posting
    if posting is None:
        return []
    owners = [owner_of(account) for account, _ in posting.legs if is_person(account)]
    return owners if posting.charge is None else [*owners, posting.charge.owner]


def _said(one: Ruling, asker: Asker) -> Said:
    said = one.decided.said
    link = link_of(ReleaseKey(said.release_source, said.release_id)) if said.of_release else ""
    return ruling_said(one, names=asker.sees_names, link=link)


def _rows(left: Sequence[Decidable], asker: Asker) -> list[Row]:
    return [
        Row(
            one.charge,
            subject_of(one),
            link_of(one.charge.release),
            one.charge.owner if asker.sees_names else None,
            one.pages,
        )
        for one in left
    ]


def _address(period: Period, asked: DecisionsShown) -> str:
    at = f"{HERE}/{one_step(period.name)}/decisions"
    known = {name: value for name, value in (("person", asked.person), ("after", asked.after)) if value}
    return f"{at}?{urlencode(known)}" if known else at
