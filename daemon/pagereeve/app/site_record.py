"""What settings and lists say of the site, as facts with dates: only what no fact has said yet is stored."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Sequence
from itertools import islice
from typing import Final

from pagereeve.app.site_facts import binding_facts, site_facts
from pagereeve.domain.badges.projector import SITE
from pagereeve.domain.facts.facts import Assigned, Fact
from pagereeve.domain.facts.site_in_force import SiteRules
from pagereeve.engine.intake.badge_hashing import BadgeHasher
from pagereeve.ports.store import Store
from pagereeve.settings import Settings
from pagereeve.settings.lists.directory import Binding

APPENDED_AT_ONCE: Final = 500


async def new_assignments(store: Store, assignments: Sequence[Assigned]) -> list[Assigned]:
    """Lines of the people file that are not known yet."""
    if not assignments:
        return []
    known = {fact.fact async for fact in store.facts(SITE) if isinstance(fact.fact, Assigned)}
    return [one for one in assignments if one not in known]


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
