"""Releases under way: their end notices find their printer here, mostly without asking the journal."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from typing import Final, Protocol

from pagereeve.domain.facts.facts import Fact, ReleaseStarted
from pagereeve.domain.facts.sites import DIVIDER, site_of
from pagereeve.engine.intake.placement import in_order
from pagereeve.ports.origins import OriginReads
from pagereeve.ports.store import ReleaseFacts as ReleaseReads

RELEASES_MAX: Final = 20_000

ReleaseFacts = Callable[[str, str], Awaitable[Sequence[Fact]]]
"""Of a source and the name of its release: all its stored notices."""


class OwnNotices(ReleaseReads, OriginReads, Protocol): ...


async def own_notices(store: OwnNotices, source: str, release: str) -> Sequence[Fact]:
    """All stored notices of a release but those at printers of other journals, to which nothing is added here."""
    known = await store.release_facts(source, release)
    if not any(DIVIDER in one.printer for one in known):
        return known
    sites = {one.site for one in await store.origins()}
    return [one for one in known if DIVIDER not in one.printer or site_of(one.printer) not in sites]


@dataclass(slots=True)
class Releases:
    """The start notices of the latest RELEASES_MAX releases; those of others are read from the journal again."""

    release_facts: ReleaseFacts
    _known: OrderedDict[tuple[str, str], Sequence[ReleaseStarted]] = field(default_factory=OrderedDict)

    async def starts(self, source: str, release: str) -> Sequence[ReleaseStarted]:
        """The earliest first; none where no start notice is stored yet."""
        known = self._known.get((source, release))
        if known is None:
            known = in_order(await self.release_facts(source, release))
            if known:
                self.remember(source, release, known)
        return known

    def forget(self, source: str, release: str) -> Sequence[ReleaseStarted] | None:
        """Another start notice was stored: what was known without it, and None where nothing was."""
        return self._known.pop((source, release), None)

    def holds(self, source: str, release: str, starts: Sequence[ReleaseStarted]) -> bool:
        """What ``starts`` gave a moment ago is still all that is known."""
        return self._known.get((source, release)) is starts

    def remember(self, source: str, release: str, starts: Sequence[ReleaseStarted]) -> None:
        """``starts`` are all of the release's, the earliest first."""
        self._known[source, release] = starts
        self._known.move_to_end((source, release))
        if len(self._known) > RELEASES_MAX:
            self._known.popitem(last=False)
