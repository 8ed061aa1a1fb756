"""Fourth stage: an event's facts become durable, all in one commit; with a notice, also what waited for it."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass

from pagereeve.domain.facts.facts import Fact, ReleaseEnded, ReleaseStarted
from pagereeve.engine.intake.placement import Placed, in_order, match_notices, routed
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
    """``hand_on`` is called for each fact once it is durable.

    The facts of one event (a badge's, for each printer behind its gateway) are stored together: one commit whatever
    their number, and a journal that fails leaves none behind that no watcher ever receives. When the sender sends such
    an event again, it would be a duplicate, of which nobody is informed. For the same reason all that is durable is
    handed on before anything further is stored.
    """

    append: Callable[[Fact], Awaitable[Receipt]]
    append_together: Callable[[Sequence[Fact]], Awaitable[Sequence[Receipt]]]
    releases: Releases
    hand_on: Callable[[Stored], Awaitable[None]]

    async def store(self, placed: Placed) -> Receipt:
        """The receipt of the first fact. Raises JournalUnavailable; what was stored until then was handed on."""
        if len(placed.facts) == 1:
            receipts: Sequence[Receipt] = (await self.append(placed.facts[0]),)
        else:
            receipts = await self.append_together(placed.facts)
        for fact, receipt in zip(placed.facts, receipts, strict=True):
            await self._hand_on(fact, receipt, placed)
        ended = placed.facts[0]
        if isinstance(ended, ReleaseEnded) and placed.starts:
            source, release = ended.origin.source, ended.release
            if not self.releases.holds(source, release, placed.starts):
                await self._route_anew(source, release)
        return receipts[0]

    async def heard(self, started: ReleaseStarted) -> None:
        """Somebody else stored a start notice. An end that was placed without it may belong to it."""
        source, release = started.origin.source, started.release
        known = self.releases.forget(source, release)
        if known is not None and started not in known:
            await self._route_anew(source, release)

    async def _route_anew(self, source: str, release: str) -> None:
        """Each end that stands elsewhere than where it belongs by all starts goes there too, whoever else says so."""
        notices = await self.releases.release_facts(source, release)
        starts = in_order(notices)
        if not starts:
            return
        self.releases.remember(source, release, starts)
        for ended in notices:
            if isinstance(ended, ReleaseEnded):
                placed = routed(ended, starts)
                if placed.printer != ended.printer:
                    await self.hand_on(Stored(placed, await self.append(placed), starts))

    async def _hand_on(self, fact: Fact, receipt: Receipt, placed: Placed) -> None:
        matched = match_notices(fact, receipt)
        if isinstance(fact, ReleaseStarted) and matched.starts:
            self.releases.remember(fact.origin.source, fact.release, matched.starts)
        await self.hand_on(Stored(fact, receipt, placed.starts or matched.starts, placed.concerns_us))
        for ended in matched.ends:
            await self.hand_on(Stored(ended, await self.append(ended), matched.starts))
