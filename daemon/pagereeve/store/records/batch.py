"""What a group of requests comes to, before any of it is stored: the one place that separates new from known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from pagereeve.domain.facts.claims import HEARD
from pagereeve.domain.facts.facts import Conflict, Event, Fact, PagesDecided
from pagereeve.domain.facts.sites import DIVIDER, site_of
from pagereeve.domain.ledger import RowSegment
from pagereeve.domain.values.errors import BadFact
from pagereeve.ports.journal import CLAIMS_MAX, Receipt
from pagereeve.ports.outbox import Announcement, QueueRemoval
from pagereeve.store.records.checked_rows import same_claim
from pagereeve.store.records.fact_record import FactRecord, Identity, ReleaseName, fact_of, file, run_of
from pagereeve.store.records.ledger_records import Columns


@dataclass(frozen=True, slots=True)
class First:
    """The event that was stored under an identity."""

    seq: int
    digest: str


class Stored(Protocol):
    """What the journal holds already."""

    def first(self, identity: Identity) -> First | None: ...

    def heard_elsewhere(self, identity: Identity) -> tuple[tuple[str, int], ...]:
        """Printer and instant of each fact of it that another journal forwarded."""
        ...

    def claims(self, identity: Identity) -> Mapping[str, int]:
        """By digest of a claim that was kept aside, the number of the Conflict fact that reports it."""
        ...

    def body(self, identity: Identity) -> str | None:
        """The body of the event that was stored under an identity."""
        ...

    def head(self, printer: str) -> int:
        """The printer's highest number; 0 where it has none."""
        ...

    def notices(self, release: ReleaseName) -> Sequence[Fact]:
        """The notices of a release, in order of their instants."""
        ...

    def is_of_a_site(self, printer: str) -> bool:
        """Is the timeline another journal's?"""
        ...

    def decided_after(self, position: int) -> Sequence[PagesDecided]:
        """This journal's decisions about pages that have a place in the seal behind ``position``."""
        ...


@dataclass(frozen=True, slots=True)
class Numbered:
    seq: int
    filing: FactRecord


@dataclass(frozen=True, slots=True)
class KeptAside:
    """A conflicting event; ``seq`` is the number of its Conflict fact on the event's printer."""

    seq: int
    filing: FactRecord
    digest: str
    identity: Identity
    received_us: int


@dataclass(frozen=True, slots=True)
class Replacement:
    """``from_anchor_us`` None drops all the printer's segments.

    ``rows`` are the segments as rows, by table. ``after``: the version of the rows that it follows; None: any.
    """

    printer: str
    from_anchor_us: int | None
    segments: tuple[RowSegment, ...] = ()
    rows: Mapping[str, Sequence[Columns]] = field(default_factory=dict)
    after: int | None = None


@dataclass(slots=True)
class Batch:
    """Grows request by request; the caller stores it in one transaction, or drops it whole."""

    stored: Stored
    facts: list[Numbered] = field(default_factory=list)
    kept_aside: list[KeptAside] = field(default_factory=list)
    open_runs: dict[str, str] = field(default_factory=dict)
    replacements: list[Replacement] = field(default_factory=list)
    redates: list[Numbered] = field(default_factory=list)
    outbox: list[Announcement | QueueRemoval] = field(default_factory=list)
    heads: dict[str, int] = field(default_factory=dict)
    duplicates: int = 0
    firsts: dict[Identity, First] = field(default_factory=dict)
    claims: dict[Identity, dict[str, int]] = field(default_factory=dict)
    notices: dict[ReleaseName, list[Fact]] = field(default_factory=dict)

    def append(self, filing: FactRecord) -> Receipt:
        if filing.identity is None or filing.digest is None:
            return Receipt("stored", self._number(filing))
        first = self.firsts.get(filing.identity) or self.stored.first(filing.identity)
        if first is None:
            notices = self._notices(filing)
            seq = self._number(filing)
            self.firsts[filing.identity] = First(seq, filing.digest)
            return Receipt("stored", seq, notices, twins=self.stored.heard_elsewhere(filing.identity))
        # Of a claim that was erased nothing is left to compare.
        alike = not first.digest or same_claim(first.digest, filing.digest)
        if alike or self._reads_alike(filing, filing.identity):
            self.duplicates += 1
            return Receipt("duplicate", first.seq, self._notices(filing))
        return self._keep_aside(filing, filing.identity, filing.digest)

    def _reads_alike(self, filing: FactRecord, identity: Identity) -> bool:
        """What an older program stored, with a claim made otherwise, reads today as what came again."""
        if not isinstance(filing.fact, Event):
            return False
        body = self.stored.body(identity)
        return body is not None and file(fact_of(body)).digest == filing.digest

    def redate(self, filings: Sequence[FactRecord]) -> None:
        """Each also moves what its timeline holds before it."""
        for filing in filings:
            self.append(filing)
            self.redates.append(self.facts[-1])

    def observe(self, printer: str, sealed: Sequence[FactRecord], current: str) -> tuple[int, ...]:
        seqs = tuple(self.append(filing).seq for filing in sealed)
        self.open_runs[printer] = current
        return seqs

    def seal_open(self, printer: str) -> None:
        """What was to be the printer's open run becomes a fact."""
        self.append(file(run_of(self.open_runs.pop(printer))))

    def decided_after(self, position: int) -> Sequence[PagesDecided]:
        here = (one.filing.fact for one in self.facts)
        return [*self.stored.decided_after(position), *(one for one in here if isinstance(one, PagesDecided))]

    def _notices(self, filing: FactRecord) -> tuple[Fact, ...]:
        key = filing.release_key
        return () if key is None else (*self.stored.notices(key), *self.notices.get(key, ()))

    def _number(self, filing: FactRecord) -> int:
        """Raises BadFact for a timeline whose numbers another journal gives."""
        if DIVIDER in filing.printer and self.stored.is_of_a_site(filing.printer):
            site = site_of(filing.printer)
            problem = f"{filing.printer[:60]!r} is of site {site}: only its own daemon adds to that; send it there"
            raise BadFact("printer", problem)
        head = self.heads.get(filing.printer)
        seq = (self.stored.head(filing.printer) if head is None else head) + 1
        self.heads[filing.printer] = seq
        self.facts.append(Numbered(seq, filing))
        if filing.identity is not None and filing.release is not None:
            self.notices.setdefault((filing.identity[0], filing.release), []).append(filing.fact)
        return seq

    def _keep_aside(self, filing: FactRecord, identity: Identity, digest: str) -> Receipt:
        claims = self.claims.setdefault(identity, dict(self.stored.claims(identity)))
        if digest in claims or len(claims) >= CLAIMS_MAX:
            return Receipt("conflict", claims.get(digest) or max(claims.values()), is_new=False)
        fact = filing.fact
        if not isinstance(fact, HEARD):
            raise TypeError(f"{filing.kind} is no event and can't conflict")
        conflict = Conflict(fact.printer, fact.origin, filing.kind, digest)
        seq = claims[digest] = self._number(file(conflict))
        self.kept_aside.append(KeptAside(seq, filing, digest, identity, fact.origin.received_us))
        return Receipt("conflict", seq, conflict=conflict)
