"""A centre joins what sites forward: checked before the journal's transaction, stored within one, answered after its
commit with what is held.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Protocol

import structlog

from pagereeve.domain.facts.erased import Erased
from pagereeve.domain.facts.sites import is_site_name, name_at, site_of
from pagereeve.domain.forwarding.batch import Batch, SealedPlace, read_batch
from pagereeve.domain.forwarding.refusal import CAUSES, BatchRefused, Cause
from pagereeve.domain.forwarding.standing import SiteSeen
from pagereeve.domain.forwarding.verification import HeldOrigin, JoinedFact, joined_facts
from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.instants import SECOND_US, to_text
from pagereeve.ports.clock import Clock
from pagereeve.ports.forwarding import CentreAnswer
from pagereeve.ports.origins import Forwarded, ForwardedFact, KnownOrigin, OriginReads, OriginWrites
from pagereeve.ports.telemetry import SiteTelemetry

SILENT_AFTER_US: Final = 86_400 * SECOND_US
"""A site tells how far it is each minute while it reaches the centre; one that was not heard for a day is named."""
NAMED_MAX: Final = 5
NO_SITES: Final[frozenset[Cause]] = frozenset({"wrong-origin", "malformed", "too-large"})
"""Another program sends, or speaks for somebody else."""
ERASED_THERE: Final = "a site erased names or titles in its journal; what is here of them stays until it is erased here"

log = structlog.get_logger("pagereeve.sites")

OnJoined = Callable[[str, int | None], None]
"""(printer, since_us): its timeline holds facts of that instant or later that nobody has projected. None: perhaps there
are some, from before the start.
"""


class Origins(OriginReads, OriginWrites, Protocol):
    async def printers(self) -> Sequence[str]: ...


@dataclass(slots=True)
class SiteState:
    """``heard_us`` (the last time), ``first_us`` (the first) and ``whole_us`` (all was here) are None until it was so
    since the start; ``size`` is what it last said is sealed there.
    """

    has: int = 0
    size: int | None = None
    heard_us: int | None = None
    first_us: int | None = None
    whole_us: int | None = None
    cause: Cause | None = None
    trouble: str = ""
    refused: Counter[Cause] = field(default_factory=Counter)

    @property
    def behind(self) -> int | None:
        return None if self.size is None else max(self.size - self.has, 0)

    def heard(self, now_us: int) -> None:
        self.heard_us = now_us
        self.first_us = now_us if self.first_us is None else self.first_us

    def answered(self, has: int, size: int, now_us: int) -> None:
        self.heard(now_us)
        self.has, self.size, self.cause, self.trouble = has, size, None, ""
        if has >= size:
            self.whole_us = now_us


class SiteFacts:
    """One batch of a site at a time; whoever calls sees to that."""

    def __init__(self, store: Origins, clock: Clock, on_joined: OnJoined = lambda _printer, _since_us: None) -> None:
        self._store = store
        self._clock = clock
        self._on_joined = on_joined
        self._begun_us = clock.now_us()
        self.under_way: set[str] = set()
        # By site, why nothing of it can be taken from its broker.
        self._hindrances: dict[str, str] = {}
        self.sites: dict[str, SiteState] = {}

    async def open(self) -> None:
        """Sites of before the start are known from then on. What was joined and not projected, as the process was
        killed, is projected now.
        """
        for one in await self._store.origins():
            self.sites[one.site] = SiteState(one.place)
        for printer in await self._store.printers() if self.sites else ():
            if site_of(printer) in self.sites and _is_printer(printer):
                self._on_joined(printer, None)

    def expect(self, site: str) -> None:
        """It is known from now on, though nothing of it was joined yet."""
        self.sites.setdefault(site, SiteState())

    def hinder(self, site: str, why: str) -> bool:
        """Why nothing of it can be taken from its broker now, "" where it can; is that new?"""
        was = self._hindrances.get(site, "")
        self._hindrances[site] = why
        return was != why

    def refused(self, site: str, refused: BatchRefused) -> BatchRefused:
        """Counted, and told."""
        self._note_refused(site, refused)
        return refused

    async def join(self, raw: bytes, site: str) -> tuple[CentreAnswer, int]:
        """What is held then, and how many facts were new. Raises BatchRefused, JournalUnavailable."""
        try:
            batch = await asyncio.to_thread(read_batch, raw)
            answer, new = await self._joined(batch, site)
        except BatchRefused as refused:
            self._note_refused(site, refused)
            raise
        self.sites.setdefault(site, SiteState()).answered(answer.has, batch.size, self._clock.now_us())
        return answer, new

    async def _joined(self, batch: Batch, site: str) -> tuple[CentreAnswer, int]:
        held = await self._held(batch, site)
        new = await asyncio.to_thread(joined_facts, batch, held, site)
        done = Forwarded(held.place)
        if new:
            done = await self._stored(batch.origin, site, new)
        if erased := sum(isinstance(one.fact, Erased) for one in new):
            log.warning(ERASED_THERE, site=site, erasures=erased)
        for printer, since_us in done.since_us.items():
            if _is_printer(printer):
                self._on_joined(printer, since_us)
        seqs = {timeline: seq for timeline, (seq, _) in held.tips.items()}
        for one in new:
            seqs[one.sent.sealed.timeline] = one.sent.sealed.seq
        return CentreAnswer(done.place, await self._last(batch, held, done.place), seqs), done.facts

    async def _held(self, batch: Batch, site: str) -> HeldOrigin:
        known = await self._known(batch, site)
        if known is None:
            return HeldOrigin()
        first = max(batch.after, 1)
        rows = await self._store.held_places(batch.origin, first - 1, batch.after + len(batch.facts) - first + 1)
        tips = await self._store.held_tips(batch.origin, list(batch.links))
        return HeldOrigin(
            known.site,
            known.place,
            rows,
            {timeline: (one.seq, one.link) for timeline, one in tips.items()},
        )

    async def _known(self, batch: Batch, site: str) -> KnownOrigin | None:
        """Raises BatchRefused for a journal that no site, or another one, may forward."""
        if not is_site_name(site):
            problem = f"the credential's name {site[:80]!r} is no site's name: letters, digits, full stops, - and _"
            raise BatchRefused("wrong-origin", problem)
        if batch.origin == await self._store.own_origin():
            raise BatchRefused("wrong-origin", "this is the same journal: it can't forward to itself")
        origins = await self._store.origins()
        before = next((one for one in origins if one.site == site and one.id != batch.origin), None)
        if before is not None:
            problem = (
                f"{site} forwarded the journal {before.id} before, and this is {batch.origin}. A site keeps its "
                "journal; for another one make a credential under another name"
            )
            raise BatchRefused("wrong-origin", problem, has=before.place)
        return next((one for one in origins if one.id == batch.origin), None)

    async def _stored(self, origin: str, site: str, new: Sequence[JoinedFact]) -> Forwarded:
        """The store compares again, in the transaction: another batch may have been joined meanwhile."""
        facts = [ForwardedFact(one.place, one.sent.sealed, one.sent.body, one.sent.openings) for one in new]
        return await self._store.append_forwarded(origin, site, facts)

    async def _last(self, batch: Batch, held: HeldOrigin, place: int) -> SealedPlace | None:
        if place == 0:
            return None
        if batch.after < place <= batch.after + len(batch.facts):
            return batch.facts[place - batch.after - 1].sealed
        known = held.places.get(place)
        if known is None:
            rows = await self._store.held_places(batch.origin, place - 1, 1)
            known = rows.get(place)
        return known

    def _note_refused(self, site: str, refused: BatchRefused) -> None:
        """``site`` is its credential's name. Of one never joined nothing is kept where the batch is no site's."""
        if site in self.sites or refused.cause not in NO_SITES:
            state = self.sites.setdefault(site, SiteState())
            state.refused[refused.cause] += 1
            state.heard(self._clock.now_us())
            state.cause, state.trouble = refused.cause, f"{refused.cause}: {refused.problem}"

    def seen(self) -> Mapping[str, SiteSeen]:
        """Of each site that is held something of."""
        return {
            site: SiteSeen(self._begun_us, one.heard_us, one.first_us, one.whole_us, one.cause or "", one.has)
            for site, one in self.sites.items()
            if one.has
        }

    def telemetry(self) -> Mapping[str, SiteTelemetry]:
        return {
            site: SiteTelemetry({cause: one.refused[cause] for cause in CAUSES}, one.has, one.behind, one.heard_us)
            for site, one in self.sites.items()
        }

    def notice(self) -> str:
        """Sites whose facts are not taken, that are behind, or that were not heard for long; "" where there is none."""
        each = ((site, self._hindrances.get(site) or self._notice_of(one)) for site, one in sorted(self.sites.items()))
        told = [f"{site}: {text}" for site, text in each if text]
        more = [f"and {len(told) - NAMED_MAX} more"] if len(told) > NAMED_MAX else []
        return "; ".join([*told[:NAMED_MAX], *more])

    def _notice_of(self, one: SiteState) -> str:
        if one.trouble:
            return one.trouble
        silent_us = self._clock.now_us() - (one.heard_us or self._begun_us)
        if silent_us >= SILENT_AFTER_US:
            since = "since the start" if one.heard_us is None else f"since {to_text(one.heard_us)}"
            return f"not heard {since}; what it counted since then is not here"
        return f"{amount(one.behind, 'fact is', 'facts are')} still to come" if one.behind else ""


def _is_printer(timeline: str) -> bool:
    """Not this site's own timeline, nor another site's."""
    return timeline not in {"", name_at(site_of(timeline), "")}
