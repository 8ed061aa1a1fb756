"""``pagereeve erase``: a person is taken out of the journal, and the ledger is projected anew with a name of nobody."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from pagereeve.app.archiving import require_archives
from pagereeve.app.clocks import SystemClock
from pagereeve.app.housekeeping import name_of_nobody
from pagereeve.app.journals import JournalPlace, RunningJournal, open_alone
from pagereeve.app.redating import project_anew
from pagereeve.domain.accounts.periods import local_text
from pagereeve.domain.facts.facts import ReleaseStarted
from pagereeve.domain.facts.owners import owner_key
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.engine.supervision.title_retention import expire_all
from pagereeve.ports.erasing import Erasure, ErasureOutcome
from pagereeve.queries.people import people_of
from pagereeve.store.sqlite.upgrade import refuse_full_disk


class NobodyToErase(PagereeveError):
    """Nothing in the journal names the owner: nothing was changed."""


class NameKept(PagereeveError):
    """The name must be kept until a day to come, or another person has the same login: nothing was changed."""


@dataclass(frozen=True, slots=True)
class ErasedPerson:
    """``name`` stands in the owner's place from now on."""

    name: str
    outcome: ErasureOutcome


@dataclass(frozen=True, slots=True)
class NameRetention:
    """So long after the last release a name must be kept; the day until which is shown in the zone."""

    keep_us: int
    zone: ZoneInfo


async def erase_owner(place: JournalPlace, owner: str, by: str, retention: NameRetention | None = None) -> ErasedPerson:
    """No daemon may run. Raises CantOpen, NoSpace, NobodyToErase or NameKept; then nothing was changed."""
    clock = SystemClock()
    async with open_alone(place, clock) as journal:
        if isinstance(place, Path):
            refuse_full_disk(place)
        name = name_of_nobody()
        erasure = await _erasure(journal, owner, name, by, clock.now_us())
        if retention is not None:
            await _refuse_early(journal, erasure, retention)
        await require_archives(journal)
        outcome = await journal.erase(erasure)
        if not outcome.facts:
            raise NobodyToErase("nothing in the journal names that owner; pagereeve totals lists them")
        await project_anew(journal, outcome.printers)
        await journal.rewrite()
    return ErasedPerson(name, outcome)


async def _erasure(journal: RunningJournal, owner: str, name: str, by: str, at_us: int) -> Erasure:
    """With every login, and every id, under which lists name the person. Raises NameKept."""
    people = await people_of(journal)
    called = people.persons_called(owner)
    if not called:
        return Erasure(owner, name, by, at_us)
    if len(called) > 1:
        raise NameKept(f"that is said of {' and '.join(called)}; name one of them by its id")
    logins = {fact.text: None for fact in people.said_of(called[0], "login")}
    others = [one for login in logins for one in people.persons_called(login) if one != called[0]]
    if others:
        raise NameKept(f"a login of {called[0]} is or was that of {others[0]} too, and would be erased from both")
    return Erasure(next(iter(logins), owner), name, by, at_us, list(logins), people.members(called[0]))


async def _refuse_early(journal: RunningJournal, erasure: Erasure, retention: NameRetention) -> None:
    """Raises NameKept before the time after the person's last release is over."""
    last_us = 0
    async for fact in journal.all_facts():
        if isinstance(fact, ReleaseStarted) and owner_key(fact.owner) in erasure.keys:
            last_us = max(last_us, fact.origin.at_us)
    until_us = last_us + retention.keep_us
    if last_us and erasure.at_us < until_us:
        day = local_text(until_us, retention.zone)
        why = "so long after the last release [privacy] keep_names_for has names kept"
        raise NameKept(f"the name is kept until {day}: {why}. Nothing was changed")


async def erase_old_titles(place: JournalPlace, keep_us: int, by: str) -> int:
    """From how many facts a title went that is older. No daemon may run. Raises CantOpen."""
    clock = SystemClock()
    async with open_alone(place, clock) as journal:
        return await expire_all(journal.expire_titles, clock, keep_us, by, name_of_nobody)
