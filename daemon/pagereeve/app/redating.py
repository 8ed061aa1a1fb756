"""``pagereeve clock redate`` and ``void``: a further fact gives a stretch another date or makes it void.

The rows of the ledger are projected anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pagereeve.app.archiving import refuse_archived, require_archives
from pagereeve.app.clocks import SystemClock
from pagereeve.app.journals import JournalPlace, RunningJournal, open_alone
from pagereeve.domain.badges.projector import SITE
from pagereeve.domain.facts.facts import Fact, Redated
from pagereeve.domain.facts.redating import Span, dated_us, is_read
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.queries.replay import badges_anew, printer_anew


class NothingToRedate(PagereeveError):
    """No fact lies there, or the names are wrong: nothing was changed."""


@dataclass(frozen=True, slots=True)
class RedatingRequest:
    """Of these printers, or of the whole site where there is none. ``by_us`` None: what their meters showed is void."""

    printers: Sequence[str]
    span: Span
    by_us: int | None
    by: str
    reason: str


async def redate_journal(place: JournalPlace, said: RedatingRequest) -> int:
    """How many facts it concerns, and runs that still grow. No daemon may run. Raises CantOpen or NothingToRedate."""
    clock = SystemClock()
    async with open_alone(place, clock) as journal:
        known = await journal.printers()
        unknown = sorted(set(said.printers) - set(known))
        if unknown:
            raise NothingToRedate(f"the journal has no fact of printer {', '.join(unknown)}; correct the name")
        names = list(said.printers) or [SITE, *known]
        counts = {name: await _concerned(journal, name, said) for name in names}
        concerned = [name for name in names if counts[name]]
        if not concerned:
            raise NothingToRedate("no such fact was dated then; pagereeve facts shows all")
        at_us, span = clock.now_us(), said.span
        await refuse_archived(journal, concerned, span.from_us, span.until_us)
        await require_archives(journal)
        facts = [
            Redated(name, at_us, span.from_us, span.until_us, said.by_us, said.by, said.reason) for name in concerned
        ]
        await journal.redate(facts)
        await project_anew(journal, concerned)
    return sum(counts.values())


async def _concerned(journal: RunningJournal, name: str, said: RedatingRequest) -> int:
    facts = [stored.fact async for stored in journal.facts(name)]
    run = await journal.open_run(name)
    return sum(_is_meant(fact, said) for fact in [*facts, *([] if run is None else [run.fact])])


def _is_meant(fact: Fact, said: RedatingRequest) -> bool:
    at_us = dated_us(fact)
    return at_us is not None and said.span.holds(at_us) and (said.by_us is not None or is_read(fact))


async def project_anew(journal: RunningJournal, names: Sequence[str]) -> None:
    """The rows of these printers, and those of the site."""
    for name in names:
        if name != SITE:
            await journal.replace(name, None, await printer_anew(journal, name))
    await journal.replace(SITE, None, await badges_anew(journal))
