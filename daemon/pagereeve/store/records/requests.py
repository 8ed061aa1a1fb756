"""What callers ask the writer to store. Each is checked and encoded before it waits in line."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import ClassVar, Literal, Protocol, TypeVar

from pagereeve.domain.facts.facts import Fact, PagesDecided, PlateauRead, ReadFailed, Redated
from pagereeve.domain.ledger import RowSegment
from pagereeve.ports.decisions import DecidedMeanwhile
from pagereeve.ports.journal import Receipt
from pagereeve.ports.outbox import Announcement, QueueRemoval
from pagereeve.store.records.batch import Batch, Replacement
from pagereeve.store.records.fact_record import ENDED, FactRecord, file, open_body
from pagereeve.store.records.segment_records import segment_rows

Answer_co = TypeVar("Answer_co", covariant=True)
Filing = Callable[[Fact], FactRecord]
"""``fact_record.file``, or one that makes more of it beforehand."""
Patience = Literal["none", "in-a-crowd", "always"]
"""Whether a request may wait a moment for others that are stored with it. What a sender or a person waits for may not;
an end notice may where events come thick and fast, as nobody's job is held by it.
"""


class StoreRequest(Protocol[Answer_co]):
    @property
    def patience(self) -> Patience: ...

    @property
    def filings(self) -> Sequence[FactRecord]:
        """Facts whose identities must be looked up before ``join``."""
        ...

    def join(self, batch: Batch) -> Answer_co:
        """Add this request to the batch; the answer holds once the batch is stored."""
        ...


@dataclass(frozen=True, slots=True)
class Append:
    filing: FactRecord

    @property
    def patience(self) -> Patience:
        return "in-a-crowd" if self.filing.kind == ENDED else "none"

    @property
    def filings(self) -> Sequence[FactRecord]:
        return (self.filing,)

    def join(self, batch: Batch) -> Receipt:
        return batch.append(self.filing)


@dataclass(frozen=True, slots=True)
class AppendCounted:
    """A decision whose author's others were counted up to a place in the seal."""

    patience: ClassVar[Patience] = "none"
    filing: FactRecord
    decided: PagesDecided
    counted: int

    @property
    def filings(self) -> Sequence[FactRecord]:
        return (self.filing,)

    def join(self, batch: Batch) -> Receipt:
        """Raises DecidedMeanwhile."""
        others = (one for one in batch.decided_after(self.counted) if one.origin.key != self.decided.origin.key)
        if any(one.by == self.decided.by for one in others):
            raise DecidedMeanwhile(f"another decision of {self.decided.by} was stored meanwhile")
        return batch.append(self.filing)


@dataclass(frozen=True, slots=True)
class AppendTogether:
    patience: ClassVar[Patience] = "none"
    filings: Sequence[FactRecord]

    def join(self, batch: Batch) -> tuple[Receipt, ...]:
        return tuple(map(batch.append, self.filings))


@dataclass(frozen=True, slots=True)
class Observe:
    patience: ClassVar[Patience] = "always"
    printer: str
    filings: Sequence[FactRecord]
    current: str

    def join(self, batch: Batch) -> tuple[int, ...]:
        return batch.observe(self.printer, self.filings, self.current)


@dataclass(frozen=True, slots=True)
class Redate:
    patience: ClassVar[Patience] = "none"
    filings: Sequence[FactRecord]

    def join(self, batch: Batch) -> None:
        batch.redate(self.filings)


@dataclass(frozen=True, slots=True)
class Replace:
    patience: ClassVar[Patience] = "always"
    replacement: Replacement

    @property
    def filings(self) -> Sequence[FactRecord]:
        return ()

    def join(self, batch: Batch) -> None:
        batch.replacements.append(self.replacement)


@dataclass(frozen=True, slots=True)
class Turn:
    """What a watcher's turn came to: all of it or nothing."""

    patience: ClassVar[Patience] = "always"
    observed: Observe
    rows: Replace

    @property
    def filings(self) -> Sequence[FactRecord]:
        return self.observed.filings

    def join(self, batch: Batch) -> None:
        self.observed.join(batch)
        self.rows.join(batch)


@dataclass(frozen=True, slots=True)
class Post:
    """Something for the outbox."""

    patience: ClassVar[Patience] = "none"
    entry: Announcement | QueueRemoval

    @property
    def filings(self) -> Sequence[FactRecord]:
        return ()

    def join(self, batch: Batch) -> None:
        batch.outbox.append(self.entry)


def append_request(fact: Fact, filed: Filing = file) -> Append:
    """Raises BadFact or BadCanonical for a fact that could not be read back."""
    return Append(filed(fact))


def append_counted_request(decided: PagesDecided, counted: int, filed: Filing = file) -> AppendCounted:
    """Raises as ``append_request`` does."""
    return AppendCounted(filed(decided), decided, counted)


def append_together_request(facts: Sequence[Fact], filed: Filing = file) -> AppendTogether:
    """Raises as ``append_request`` does."""
    return AppendTogether(tuple(map(filed, facts)))


def redate_request(facts: Sequence[Redated], filed: Filing = file) -> Redate:
    """Raises BadFact as ``append_request`` does."""
    return Redate([filed(fact) for fact in facts])


def observe_request(
    printer: str, sealed: Sequence[Fact], current: PlateauRead | ReadFailed, filed: Filing = file
) -> Observe:
    """Raises ValueError where a fact belongs to another printer, BadFact as ``append_request`` does."""
    strangers = {fact.printer for fact in (*sealed, current)} - {printer}
    if strangers:
        raise ValueError(f"facts of {', '.join(sorted(map(repr, strangers)))} given for printer {printer!r}")
    return Observe(printer, tuple(map(filed, sealed)), open_body(current))


def replace_request(
    printer: str, from_anchor_us: int | None, segments: Sequence[RowSegment], after: int | None = None
) -> Replace:
    """Raises ValueError unless the segments are the printer's own, from the anchor on, rising; BadCanonical."""
    anchors = [segment.anchor_us for segment in segments]
    if any(segment.printer != printer for segment in segments):
        raise ValueError(f"a segment of another printer was given for printer {printer!r}")
    if any(later <= earlier for earlier, later in pairwise(anchors)):
        raise ValueError(f"segments of printer {printer!r} must come in rising order of their anchors: {anchors[:8]}")
    if from_anchor_us is not None and anchors and anchors[0] < from_anchor_us:
        raise ValueError(f"a segment of printer {printer!r} at {anchors[0]} lies before {from_anchor_us}")
    return Replace(Replacement(printer, from_anchor_us, tuple(segments), segment_rows(segments), after))
