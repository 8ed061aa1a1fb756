"""Fourth stage: facts become durable, in order; with a notice, also what waited for it."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass

from pagereeve.domain.facts.facts import Fact, ReleaseStarted
from pagereeve.engine.intake.placement import Placed, match_notices
from pagereeve.engine.intake.releases import Releases
from pagereeve.ports.journal import Receipt


@dataclass(frozen=True, slots=True)
class Stored:
    """A fact that the journal gave its receipt for. ``starts`` and ``concerns_us`` are as in Placed."""

    fact: Fact
    receipt: Receipt
    starts: Sequence[ReleaseStarted] = ()
    concerns_us: int | None = None


@dataclass(slots=True)
class Storing:
    """``hand_on`` is called for each fact once it is durable, and before the next one is stored.

    So a journal that fails between two facts leaves none behind that is stored and that no watcher ever receives: when
    the sender sends it again, it is a duplicate, of which nobody is informed.
    """

    append: Callable[[Fact], Awaitable[Receipt]]
    releases: Releases
    hand_on: Callable[[Stored], Awaitable[None]]

    async def store(self, placed: Placed) -> Receipt:
        """The receipt of the first fact. Raises JournalUnavailable; what was stored until then was handed on."""
        first, *others = placed.facts
        receipt = await self._store(first, placed)
        for fact in others:
            await self._store(fact, placed)
        return receipt

    async def _store(self, fact: Fact, placed: Placed) -> Receipt:
        receipt = await self.append(fact)
        matched = match_notices(fact, receipt)
        if isinstance(fact, ReleaseStarted) and matched.starts:
            self.releases.remember(fact.origin.source, fact.release, matched.starts)
        await self.hand_on(Stored(fact, receipt, placed.starts or matched.starts, placed.concerns_us))
        for ended in matched.ends:
            await self.hand_on(Stored(ended, await self.append(ended), matched.starts))
        return receipt
