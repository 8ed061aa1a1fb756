"""What was released, one charge after the other: of whom, and to which cost centre its owner belonged then."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass, replace
from typing import Final

from pagereeve.domain.accounts.cost_centres import NOBODY_SAID
from pagereeve.domain.accounts.people import People
from pagereeve.domain.facts.owners import owner_key
from pagereeve.domain.ledger import Charge
from pagereeve.ports.reads import Reads
from pagereeve.ports.releases import PAGE_MAX, ReleaseFilter, ReleasePlace, ReleasesPage, place_of
from pagereeve.queries.people import people_of

PAGES_LOOKED_AT: Final = 2
"""For one page of those that are meant."""


@dataclass(frozen=True, slots=True)
class ReleasesAsked:
    """``cost_centre``: only releases whose owner belonged to it when they started; "" means to none, None to any.

    ``person``: a login, or what a list says of a person (a mail address, an id): then releases of all logins that were
    that person's when they started.
    """

    wanted: ReleaseFilter
    cost_centre: str | None = None
    person: str | None = None


async def releases_of(held: Reads, asked: ReleasesAsked) -> AsyncIterator[Charge]:
    """The newest first; ``held`` is of one moment. Memory in proportion to a page."""
    async for page in _pages_of(held, asked, PAGE_MAX, None):
        for charge in page.charges:
            yield charge


async def releases_page(
    held: Reads, asked: ReleasesAsked, limit: int, after: ReleasePlace | None = None
) -> ReleasesPage:
    """At most ``limit``, behind the page ``after``. It may be short, or empty, although more follow: so many are looked
    at for one page as bound its time, however few of them are meant.
    """
    found: list[Charge] = []
    looked = 0
    async for page in _pages_of(held, asked, limit, after):
        found += page.charges
        looked += 1
        if page.after is None:
            return ReleasesPage(found, None)
        if len(found) >= limit or looked == PAGES_LOOKED_AT:
            # Of the last page all that are meant are there: cut where the limit is reached, else after all of it.
            shown = found[:limit]
            return ReleasesPage(shown, place_of(shown[-1]) if len(found) > limit else page.after)
    return ReleasesPage(found, None)


async def _pages_of(
    held: Reads, asked: ReleasesAsked, limit: int, after: ReleasePlace | None
) -> AsyncIterator[ReleasesPage]:
    people = People() if asked.person is None and asked.cost_centre is None else await people_of(held)
    person = person_of(people, asked.person)
    wanted = replace(asked.wanted, owners=_owners(people, asked, person))
    while True:
        page = await held.releases_page(wanted, limit, after)
        yield ReleasesPage([one for one in page.charges if _is_meant(one, asked, people, person)], page.after)
        after = page.after
        if after is None:
            return


def _is_meant(charge: Charge, asked: ReleasesAsked, people: People, person: str) -> bool:
    if person and people.who(charge.owner, charge.started_us).person != person:
        return False
    return asked.cost_centre is None or people.at(charge.owner, charge.started_us) == asked.cost_centre


def person_of(people: People, text: str | None) -> str:
    """The id of the one person who is meant; "" where the text is a login that no list names, or of several persons."""
    found = [] if text is None else people.persons_called(text)
    return found[0] if len(found) == 1 else ""


def _owners(people: People, asked: ReleasesAsked, person: str) -> frozenset[str] | None:
    """Keys of the logins that come into question at all; None: any."""
    owners = asked.wanted.owners
    if asked.person is not None:
        owners = _logins_of(people, person) if person else frozenset({owner_key(asked.person)})
    if asked.cost_centre is None or asked.cost_centre == NOBODY_SAID:
        return owners
    members = people.centres.members(asked.cost_centre)
    for one in people.persons():
        if any(fact.text == asked.cost_centre for fact in people.said_of(one, "cost_centre")):
            members |= _logins_of(people, one)
    return members if owners is None else owners & members


def _logins_of(people: People, person: str) -> frozenset[str]:
    return frozenset(owner_key(fact.text) for fact in people.said_of(person, "login"))
