"""What was known when: a release's rows before and after each notice that came late, and the difference it made."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.brackets.expectation import CLAIMED_CHANNELS
from pagereeve.domain.facts.facts import Decided, Event, Fact, PrinterNoted, ReleaseEnded, ReleaseStarted, instant_us
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.ledger import Charge, is_meter
from pagereeve.domain.projection.projection import Projected
from pagereeve.domain.projection.projector import PrinterProjector, needed_from_us
from pagereeve.domain.projection.resume_point import ResumePoint
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.reads import Reads
from pagereeve.ports.resume_points import resume_point_before
from pagereeve.queries.release_evidence import Evidence

# Later than a notice needs on its way: it was a backlog, an outage, a source that sent it hours after.
LATE_US: Final = 60 * SECOND_US
LATE_SHOWN_MAX: Final = 10
FACTS_MAX: Final = 50_000
NOT_KNOWN: Final = "not known"
"""In the place of a verdict: the release was not in the ledger yet."""


@dataclass(frozen=True, slots=True)
class LedgerState:
    """What the ledger had of the release's stretch, by then: its charge, and what the accounts had received."""

    verdict: str
    charged: int
    unproven: int
    accounts: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True)
class LateNotice:
    """At ``at_us`` ``what`` became known, ``late_us`` after it happened."""

    at_us: int
    late_us: int
    what: str
    before: LedgerState
    after: LedgerState

    def differences(self) -> list[tuple[str, int]]:
        """By how many pages each account changed: they sum to what was or wasn't counted yet."""
        changed = Counter(dict(self.after.accounts))
        changed.subtract(dict(self.before.accounts))
        return [(account, pages) for account, pages in sorted(changed.items()) if pages]


@dataclass(frozen=True, slots=True)
class KnownWhen:
    """``late`` in order of arrival, empty where everything came in time; ``left_out`` came late besides.

    ``gone_through`` is False where more than FACTS_MAX facts lie since the last rest before the release: nothing is
    said of them then.
    """

    late: tuple[LateNotice, ...] = ()
    left_out: int = 0
    gone_through: bool = True


NOTHING_LATE: Final = KnownWhen()


async def what_was_known(reads: Reads, evidence: Evidence) -> KnownWhen:
    """A very long history is not gone through again."""
    earliest_us = min(evidence.from_us, evidence.started_us)
    resume_point = await resume_point_before(reads, evidence.printer, earliest_us, ResumePoint.from_json)
    rules = [stored.fact for stored in await reads.standing_facts(evidence.printer)]
    from_us = None if resume_point is None else needed_from_us(resume_point, Rules.of(rules))
    facts: list[Fact] = []
    async for stored in reads.facts(evidence.printer, from_us):
        facts.append(stored.fact)
        if len(facts) > FACTS_MAX:
            return KnownWhen(gone_through=False)
    run = await reads.open_run(evidence.printer)
    facts += [] if run is None else [run.fact]
    late = [fact for fact in facts if isinstance(fact, Event) and _is_late(fact, evidence)]
    learnt = []
    for fact in sorted(late, key=lambda one: (one.origin.received_us, one.origin.id))[:LATE_SHOWN_MAX]:
        received_us = fact.origin.received_us
        before = _projected(evidence, resume_point, facts, received_us - 1)
        after = _projected(evidence, resume_point, facts, received_us)
        learnt.append(
            LateNotice(received_us, _late_us(fact), _what(fact), _known(evidence, before), _known(evidence, after))
        )
    return KnownWhen(tuple(learnt), len(late) - len(learnt))


def _is_late(event: Event, evidence: Evidence) -> bool:
    """It came late, and concerns the stretch: its own instant lies there, or the release is its own."""
    if isinstance(event, Decided) or _late_us(event) < LATE_US:
        return False
    if isinstance(event, ReleaseStarted | ReleaseEnded):
        if (event.origin.source, event.release) == (evidence.key.source, evidence.key.release):
            return True
    elif not isinstance(event, PrinterNoted):
        return False
    until_us = evidence.to_us
    return evidence.from_us <= event.origin.at_us and (until_us is None or event.origin.at_us <= until_us)


def _late_us(event: Event) -> int:
    return event.origin.received_us - event.origin.at_us


def _what(event: Event) -> str:
    match event:
        case ReleaseStarted():
            return f"the start notice of {event.release}"
        case ReleaseEnded():
            return f"the end notice of {event.release}"
        case PrinterNoted():
            return f"the note {event.note}"
        case _:
            return f"event {event.origin.id}"


def _projected(evidence: Evidence, resume_point: ResumePoint | None, facts: Sequence[Fact], by_us: int) -> Projected:
    """With the facts that were known by an instant."""
    known = [fact for fact in facts if _known_us(fact) <= by_us]
    projector = PrinterProjector.reopened(evidence.printer, Rules.of(known), resume_point, known)
    return projector.projected()


def _known_us(fact: Fact) -> int:
    return fact.origin.received_us if isinstance(fact, Event) else instant_us(fact)


def _known(evidence: Evidence, projected: Projected) -> LedgerState:
    mine = [one for one in projected.charges() if one.release == evidence.key and one.channel in CLAIMED_CHANNELS]
    received: Counter[str] = Counter()
    for posting in projected.postings():
        if posting.channel in CLAIMED_CHANNELS and _within(posting.opens_us, posting.closes_us, evidence):
            for account, pages in posting.legs:
                if not is_meter(account):
                    received[account] += pages
    return LedgerState(
        _verdict(mine), sum(one.charged for one in mine), sum(one.unproven for one in mine), _sorted(received)
    )


def _within(opens_us: int, closes_us: int, evidence: Evidence) -> bool:
    until_us = evidence.to_us
    return closes_us > evidence.from_us and (until_us is None or opens_us < until_us)


def _sorted(received: Counter[str]) -> tuple[tuple[str, int], ...]:
    return tuple(sorted((account, pages) for account, pages in received.items() if pages))


def _verdict(charges: Iterable[Charge]) -> str:
    known = list(charges)
    if not known:
        return NOT_KNOWN
    return "not closed" if known[0].verdict is None else known[0].verdict.value
