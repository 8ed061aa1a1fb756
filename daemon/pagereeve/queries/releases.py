"""What was released, one charge after the other: of whom, and to which cost centre its owner belonged then."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass, replace

from pagereeve.domain.accounts.cost_centres import NOBODY_SAID
from pagereeve.domain.accounts.people import People
from pagereeve.domain.facts.owners import owner_key
from pagereeve.domain.ledger import Charge
from pagereeve.ports.reads import Reads
from pagereeve.ports.releases import PAGE_MAX, ReleaseFilter, ReleasePlace
from pagereeve.queries.people import people_of


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
    people = People() if asked.person is None and asked.cost_centre is None else await people_of(held)
    person = person_of(people, asked.person)
    wanted = replace(asked.wanted, owners=_owners(people, asked, person))
    after: ReleasePlace | None = None
    while True:
        page = await held.releases_page(wanted, PAGE_MAX, after)
        for charge in page.charges:
            if person and people.who(charge.owner, charge.started_us).person != person:
                continue
            if asked.cost_centre is None or people.at(charge.owner, charge.started_us) == asked.cost_centre:
                yield charge
        after = page.after
        if after is None:
            return


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
