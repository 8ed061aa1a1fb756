"""Is a closed period what the sealed fact of its close says?"""

from __future__ import annotations

from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.facts.closed import PeriodClosed
from pagereeve.domain.facts.erased import Erased
from pagereeve.ports.closing import ClosedPeriod, NotClosed
from pagereeve.ports.reads import Reads


def period_of_closed(closed: ClosedPeriod) -> Period:
    one = closed.closing
    return Period(one.name, ZoneInfo(one.zone), one.from_us, one.to_us)


async def require_as_sealed(reads: Reads, closed: ClosedPeriod) -> None:
    """What the table of closed periods says must be what the sealed fact says; names are erased by an erasure alone.

    Raises NotClosed.
    """
    fact, fact_seq, erased_seq = None, 0, 0
    async for stored in reads.facts(""):
        if isinstance(stored.fact, PeriodClosed) and stored.fact.name == closed.name:
            fact, fact_seq = stored.fact, stored.seq
        elif isinstance(stored.fact, Erased):
            erased_seq = max(erased_seq, stored.seq)
    unexplained = bool(closed.erased_sha256) and erased_seq < fact_seq
    if fact is None or unexplained or _said_of(closed) != _said_by(fact):
        raise NotClosed(
            f"{closed.name} is not closed as the fact of its close says: the journal is damaged or was changed; "
            "pagereeve verify shows what, a backup holds what was"
        )


def _said_of(closed: ClosedPeriod) -> tuple[str | int, ...]:
    one = closed.closing
    return (one.zone, one.database, one.from_us, one.to_us, one.size, one.head, closed.rows, closed.sha256)


def _said_by(fact: PeriodClosed) -> tuple[str | int, ...]:
    return (fact.zone, fact.database, fact.from_us, fact.to_us, fact.size, fact.head, fact.rows, fact.sha256)
