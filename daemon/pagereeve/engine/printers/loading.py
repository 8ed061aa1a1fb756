"""Opening a printer's book from what is stored: the latest fitting seed, and the facts since."""

from __future__ import annotations

from collections.abc import Sequence

from pagereeve.domain.brackets.timeline import Again, started_again
from pagereeve.domain.facts.facts import Decided, Fact, ReleaseEnded, ReleaseStarted, instant_us
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.projection.projector import Book, concerns_us, needed_from_us
from pagereeve.domain.projection.resume_point import Seed
from pagereeve.ports.resume_points import seed_before
from pagereeve.ports.store import Store

FOREVER_US = 2**62


async def open_book(store: Store, printer: str, before_us: int = FOREVER_US) -> Book:
    """The book as of the latest stored seed that lies before ``before_us``; from the beginning where there is none.

    A fact that came late and was stored, but not projected before the process died, leads back to an earlier seed.
    """
    rules = Rules.of([stored.fact for stored in await store.standing_facts(printer)])
    seed = await seed_before(store, printer, before_us, Seed.from_json)
    from_us = None if seed is None else needed_from_us(seed, rules)
    facts = [stored.fact async for stored in store.facts(printer, from_us)]
    if seed is not None and before_us == FOREVER_US:
        late_us = await _late_us(store, printer, seed, facts)
        if late_us is not None:
            return await open_book(store, printer, late_us)
    book = Book.reopened(printer, rules, seed, facts)
    if seed is not None:
        for started, again in await _started_again(store, printer, facts):
            book.mark_again(started, again)
    return book


async def _late_us(store: Store, printer: str, seed: Seed, facts: Sequence[Fact]) -> int | None:
    """The earliest instant that a fact concerns which was stored after the seed's time, and lies before it."""
    concerned: list[int] = []
    for fact in await store.late_facts(printer, seed.at_us):
        if isinstance(fact, Decided):
            finding = await store.finding(fact.finding)
            concerned.append(instant_us(fact) if finding is None else finding.since_us)
        else:
            concerned.append(concerns_us(fact))
    begun = {(fact.origin.source, fact.release) for fact in facts if isinstance(fact, ReleaseStarted)}
    for fact in facts:
        if isinstance(fact, ReleaseEnded) and (fact.origin.source, fact.release) not in begun:
            known = await store.release_facts(fact.origin.source, fact.release)
            starts = [one for one in known if isinstance(one, ReleaseStarted) and one.printer == printer]
            concerned += [one.origin.at_us for one in starts if one.origin.at_us <= seed.at_us]
    return min((at_us for at_us in concerned if at_us <= seed.at_us), default=None)


async def _started_again(store: Store, printer: str, facts: list[Fact]) -> list[tuple[ReleaseStarted, Again]]:
    """Start notices among the facts whose release was started before, perhaps behind the seed."""
    found: list[tuple[ReleaseStarted, Again]] = []
    for fact in facts:
        if isinstance(fact, ReleaseStarted):
            known = await store.release_facts(fact.origin.source, fact.release)
            starts = [one for one in known if isinstance(one, ReleaseStarted) and one.printer == printer]
            again = started_again(starts).get(fact.origin.key)
            if again is not None:
                found.append((fact, again))
    return found
