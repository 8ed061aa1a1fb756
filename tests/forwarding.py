"""A site's sealed facts without a daemon, and a centre that keeps what it joins in memory."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.forwarding.batch import Batch, SealedBody, SealedPlace
from pagereeve.domain.forwarding.refusal import BatchRefused
from pagereeve.domain.forwarding.verification import HeldOrigin, joined_facts
from pagereeve.domain.seal.chain import first_link
from pagereeve.store.records.fact_record import file
from pagereeve.store.records.sealing import Salts, SealState, seal

ORIGIN = "0123456789abcdef" * 2


def salts(seed: int = 0) -> Salts:
    """Other bytes at each call, the same for the same seed."""
    calls = iter(range(10**9))
    return lambda size: (seed * 10**9 + next(calls)).to_bytes(16, "big") * (size // 16)


@dataclass(slots=True)
class SealingSite:
    """Seals facts as a journal does, and makes batches of them."""

    origin: str = ORIGIN
    name: str = "annex"
    seed: int = 0
    sealed: list[SealedBody] = field(default_factory=list)
    _seqs: dict[str, int] = field(default_factory=dict)
    _state: SealState | None = None
    _salts: Salts | None = None

    def store(self, facts: Sequence[Fact]) -> None:
        self._state = self._state or SealState(self.origin)
        self._salts = self._salts or salts(self.seed)
        for fact in facts:
            record = file(fact)
            seq = self._seqs[record.printer] = self._seqs.get(record.printer, 0) + 1
            (one,) = seal(self._state, [(record.printer, seq, record.kind, record.body)], lambda _: None, self._salts)
            self.sealed.append(SealedBody(SealedPlace(one.printer, one.seq, one.link), record.body, one.openings))

    def batch(self, after: int = 0, limit: int = 512) -> Batch:
        facts = self.sealed[after : after + limit]
        links: dict[str, bytes] = {}
        for one in facts:
            timeline = one.sealed.timeline
            links.setdefault(timeline, self._link_before(timeline, one.sealed.seq))
        last = self.sealed[after - 1].sealed if after else None
        return Batch(self.origin, self.name, after, len(self.sealed), last, links, facts)

    def _link_before(self, timeline: str, seq: int) -> bytes:
        before = [one.sealed for one in self.sealed if one.sealed.timeline == timeline and one.sealed.seq < seq]
        return before[-1].link if before else first_link(self.origin, timeline)


@dataclass(slots=True)
class KeptOrigin:
    site: str
    facts: list[SealedBody] = field(default_factory=list)


@dataclass(slots=True)
class KeepingCentre:
    """What a centre holds, by origin; joins as the rules say."""

    origins: dict[str, KeptOrigin] = field(default_factory=dict)

    def held(self, batch: Batch) -> HeldOrigin:
        kept = self.origins.get(batch.origin)
        if kept is None:
            return HeldOrigin()
        span = range(max(batch.after, 1), batch.after + len(batch.facts) + 1)
        places = {place: kept.facts[place - 1].sealed for place in span if place <= len(kept.facts)}
        tips = {one.sealed.timeline: (one.sealed.seq, one.sealed.link) for one in kept.facts}
        return HeldOrigin(kept.site, len(kept.facts), places, {t: tips[t] for t in batch.links if t in tips})

    def join(self, batch: Batch, site: str = "annex") -> int:
        """How many facts were new. Raises BatchRefused."""
        new = joined_facts(batch, self.held(batch), site)
        kept = self.origins.setdefault(batch.origin, KeptOrigin(site))
        assert [one.place for one in new] == list(range(len(kept.facts) + 1, len(kept.facts) + 1 + len(new)))
        kept.facts += [one.sent for one in new]
        return len(new)

    def refusal(self, batch: Batch, site: str = "annex") -> BatchRefused | None:
        """Why nothing of it was joined; None where it was."""
        try:
            self.join(batch, site)
        except BatchRefused as refused:
            return refused
        return None
