"""From a list of people to the facts that are not known yet, whoever stores them."""

from __future__ import annotations

import secrets
from collections.abc import Iterator, Sequence
from typing import Final

from pagereeve.domain.accounts.people import People
from pagereeve.domain.accounts.people_plan import PeoplePlan, plan_people
from pagereeve.domain.facts.facts import Assigned, Fact
from pagereeve.domain.facts.people import MergeUndone, PeopleMerged, PersonNamed
from pagereeve.settings.lists.people import PeopleList

PEOPLE_FACTS: Final = (Assigned, PersonNamed, PeopleMerged, MergeUndone)
BY_SETTINGS: Final = "settings"
"""Who says what the people file of the settings says."""


def people_plan(
    people: People, listed: PeopleList, known: Sequence[Fact], now_us: int, by: str
) -> tuple[PeoplePlan, list[Fact]]:
    """``known`` are the facts that ``people`` rests on. What the plan has, and assignments, as facts to be stored."""
    plan = plan_people(people, listed.lines, new_person_ids(), now_us, by)
    assigned = frozenset(fact for fact in known if isinstance(fact, Assigned))
    return plan, [*(one for one in listed.assigned if one not in assigned), *(one.fact for one in plan.changes)]


def new_person_ids() -> Iterator[str]:
    while True:
        yield f"p-{secrets.token_hex(6)}"
