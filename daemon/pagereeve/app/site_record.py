"""What settings and lists say of the site, as facts with dates: only what no fact has said yet is stored."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Sequence
from itertools import islice
from typing import Final

import structlog

from pagereeve.app.people_facts import BY_SETTINGS, PEOPLE_FACTS, people_plan
from pagereeve.app.site_facts import binding_facts, site_facts
from pagereeve.domain.accounts.people import People
from pagereeve.domain.badges.projector import SITE
from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.facts.site_in_force import SiteRules
from pagereeve.engine.intake.badge_hashing import BadgeHasher
from pagereeve.ports.store import Store
from pagereeve.settings import BadList, Problem, Settings
from pagereeve.settings.lists.directory import Binding
from pagereeve.settings.lists.people import PeopleList

log = structlog.get_logger("pagereeve.people")

APPENDED_AT_ONCE: Final = 500


async def new_people(store: Store, listed: PeopleList, now_us: int) -> list[Fact]:
    """What the people file says that is not known yet. Raises BadList where that can't be told."""
    if not listed.assigned and not listed.lines:
        return []
    known = [stored.fact async for stored in store.facts(SITE) if isinstance(stored.fact, PEOPLE_FACTS)]
    plan, facts = people_plan(People(known), listed, known, now_us, BY_SETTINGS)
    if plan.problems:
        raise listed.bad([Problem(f"line {one.line}", one.text) for one in plan.problems])
    for one in plan.collisions:
        log.warning("a login is two persons' at one time, and counts for neither", persons=one.persons)
    return facts


async def new_people_if_told(store: Store, settings: Settings, now_us: int) -> list[Fact]:
    """As ``new_people``; where it can't be told what is known stays in force: readings must go on."""
    listed = settings.people_list()
    try:
        return await new_people(store, listed, now_us)
    except BadList:
        text = (
            "the list of people contradicts what is known; that stays in force: see pagereeve people import --dry-run"
        )
        log.error(text, file=listed.source)  # noqa: TRY400 - the command says it all, and not to everybody
    return []


async def new_site_facts(
    store: Store, settings: Settings, badges: BadgeHasher, directory: Sequence[Binding] | None, now_us: int
) -> list[Fact]:
    """The rules for badges, the printers' places and, where there is a directory, its bindings.

    ``badges`` knows the badges that stand, and those of the directory, then.
    """
    rules = SiteRules.of([stored.fact for stored in await store.standing_facts(SITE)])
    facts: list[Fact] = [*site_facts(settings, rules, now_us)]
    badges.known |= {one.badge for one in rules.standing_at(now_us)}
    if directory is not None:
        facts += binding_facts(directory, badges, rules, now_us)
    return facts


async def append_all(store: Store, facts: Iterable[Fact]) -> None:
    """Many at once, so that they share commits. Raises JournalUnavailable."""
    waiting = iter(facts)
    while batch := list(islice(waiting, APPENDED_AT_ONCE)):
        await asyncio.gather(*(store.append(fact) for fact in batch))
