"""Makes batches of what is sealed here, whatever way they take to the centre."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from pagereeve.domain.forwarding.batch import FULL_BYTES, Batch, SealedBody, SealedPlace, batch_bytes
from pagereeve.domain.forwarding.verification import link_of
from pagereeve.domain.seal.chain import first_link
from pagereeve.ports.forwarding import CentreAnswer, NotForwarded, SealedFacts

TIPS_MAX: Final = 10_000


@dataclass(frozen=True, slots=True)
class MadeBatch:
    """``raw`` are the bytes of ``batch``; its last fact has the place ``end``."""

    batch: Batch
    raw: bytes

    @property
    def end(self) -> int:
        return self.batch.after + len(self.batch.facts)


@dataclass(slots=True)
class BatchMaker:
    """``site`` is what the centre calls this site."""

    store: SealedFacts
    site: str
    _origin: str = ""
    _tips: dict[str, bytes] = field(default_factory=dict)

    async def question(self, after: int, size: int) -> MadeBatch:
        """Without facts: what does the centre hold? Raises JournalUnavailable."""
        batch = Batch(await self.origin(), self.site, after, size, await self.place(after))
        return MadeBatch(batch, batch_bytes(batch))

    async def made(self, after: int, size: int, facts_max: int) -> MadeBatch:
        """Of the facts behind a place as many as fill a batch, one at least. Raises JournalUnavailable."""
        bodies = _first_ones(await self.store.sealed_bodies(after, facts_max))
        links = await self._links_before(bodies)
        # More may have been sealed since it was asked for.
        size = max(size, after + len(bodies))
        head = Batch(await self.origin(), self.site, after, size, await self.place(after), links)
        return await asyncio.to_thread(_made, head, bodies)

    def went(self, made: MadeBatch) -> None:
        """The batch behind it comes next: its links are known."""
        self._tips |= {one.sealed.timeline: one.sealed.link for one in made.batch.facts}
        if len(self._tips) > TIPS_MAX:
            self.forget()

    def forget(self) -> None:
        """Another batch than the one behind the last comes next."""
        self._tips.clear()

    async def require_same(self, answer: CentreAnswer, size: int, centre: str) -> None:
        """What the centre says that it holds must be sealed here under the same places. Raises NotForwarded."""
        if answer.has > size:
            problem = (
                f"{centre} has {answer.has} facts of this journal, and here are {size}: this is an older copy "
                "of it. Put back the newer one; nothing is forwarded until then"
            )
            raise NotForwarded("set-back", problem, answer.has)
        if await self.place(answer.has) != answer.last:
            problem = f"{centre} has another fact than this journal at place {answer.has}; one of them was edited"
            raise NotForwarded("fork", problem, answer.has)

    async def place(self, place: int) -> SealedPlace | None:
        """None where nothing is sealed under it."""
        return None if place == 0 else await self.store.sealed_place(place)

    async def origin(self) -> str:
        """This journal's id, "" before its first fact."""
        if not self._origin:
            head = await self.store.seal_head()
            self._origin = "" if head is None else head.origin
        return self._origin

    async def _links_before(self, bodies: Sequence[SealedBody]) -> dict[str, bytes]:
        links: dict[str, bytes] = {}
        for one in bodies:
            timeline = one.sealed.timeline
            if timeline not in links:
                known = self._tips.get(timeline) or await self.store.link_before(timeline, one.sealed.seq)
                links[timeline] = known or first_link(await self.origin(), timeline)
        return links


def _first_ones(bodies: Sequence[SealedBody]) -> Sequence[SealedBody]:
    """As many as fill a batch, one at least. Written as a text of JSON a body is twice as long at the most."""
    size_bytes = 0
    for number, one in enumerate(bodies):
        size_bytes += 2 * len((one.body or "").encode(errors="replace")) + len(one.openings) + 256
        if size_bytes > FULL_BYTES and number:
            return bodies[:number]
    return bodies


def _made(head: Batch, bodies: Sequence[SealedBody]) -> MadeBatch:
    """The batch with these facts, and its bytes. One that does not give its own link any more goes as its link alone:
    it was damaged here, and ``pagereeve verify`` names it.
    """
    before = dict(head.links)
    facts = []
    for one in bodies:
        sealed = one.sealed
        whole = one.body is not None and link_of(one.body, one.openings, before[sealed.timeline]) == sealed.link
        facts.append(one if whole else SealedBody(sealed, None))
        before[sealed.timeline] = sealed.link
    batch = Batch(head.origin, head.site, head.after, head.size, head.last, head.links, facts)
    return MadeBatch(batch, batch_bytes(batch))
