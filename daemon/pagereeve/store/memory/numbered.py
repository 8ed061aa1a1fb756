"""Stored facts in memory: in which order they come, what is asked of each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from pagereeve.domain.facts.facts import JOURNAL_SOURCE, Fact, Redated, ReleaseStarted
from pagereeve.domain.facts.redating import dated_by
from pagereeve.domain.seal.erasure import ERASED
from pagereeve.ports.journal import StoredFact
from pagereeve.store.records.batch import Numbered
from pagereeve.store.records.fact_record import BADGE_KINDS, FactRecord, file


def as_stored(one: Numbered) -> StoredFact:
    return StoredFact(one.seq, one.filing.fact)


def moved(one: Numbered, redates: Sequence[Redated]) -> Numbered | None:
    """The fact as they date it; None where it is void."""
    fact = dated_by(one.filing.fact, redates)
    if fact is None or fact is one.filing.fact:
        return None if fact is None else one
    return Numbered(one.seq, replace(file(fact), digest=one.filing.digest, origin=one.filing.origin))


def is_checked(one: Numbered) -> bool:
    """Beside badges. Those of other journals are checked there."""
    return not one.filing.origin and (one.filing.kind in BADGE_KINDS or source_of(one.filing) == JOURNAL_SOURCE)


def source_of(filing: FactRecord) -> str | None:
    return None if filing.identity is None else filing.identity[0]


def place_of(one: Numbered) -> tuple[int, str, int]:
    return one.filing.at_us, one.filing.printer, one.seq


def last(items: Sequence[Numbered], most: int) -> Sequence[Numbered]:
    return items[max(0, len(items) - most) :]


def has_title(fact: Fact) -> bool:
    return isinstance(fact, ReleaseStarted) and not (fact.ticket.title or ERASED).startswith(ERASED)
