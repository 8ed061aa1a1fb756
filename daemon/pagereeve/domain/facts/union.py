"""Facts of several endpoints, readers and journals as one set: each event once, whoever heard it, in whatever order.

The step before the timelines. What counts is a function of the set of facts alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Final

from pagereeve.domain.facts.claims import HEARD, Heard, claim_digest, kind_of
from pagereeve.domain.facts.codec import fact_bytes
from pagereeve.domain.facts.facts import Conflict, Fact, PlateauRead, ReadFailed, ReleaseEnded
from pagereeve.domain.facts.redating import NOT_AGREED

Identity = tuple[str, str]
ROUTED_SUFFIX: Final = "#routed"
"""The id of an end notice's copy on the timeline of its start ends in it: the same event."""

_READ: Final = frozenset({PlateauRead, ReadFailed})


def joined(facts: Iterable[Fact]) -> list[Fact]:
    """All facts, and of twins (events of one source and id) the one that counts. What is no event may come twice.

    That is the first received; one that was received while our clock was not agreed comes after all others. Of
    another claim under the same identity one Conflict is left, as its first receipt has it.
    """
    others: list[Fact] = []
    heard: dict[Identity, list[Heard]] = {}
    aside: dict[Identity, list[Conflict]] = {}
    for fact in facts:
        # Most facts are readings: their type alone is looked at.
        if type(fact) in _READ:
            others.append(fact)
        elif isinstance(fact, HEARD):
            twins = heard.setdefault(identity(fact), [])
            if fact not in twins:
                twins.append(fact)
        elif isinstance(fact, Conflict):
            aside.setdefault(fact.origin.key, []).append(fact)
        else:
            others.append(fact)
    counting = [one for key, twins in heard.items() for one in _counting(twins, aside.pop(key, ()))]
    return [*others, *counting, *(one for known in aside.values() for one in _each_claim(known))]


def identity(fact: Heard) -> Identity:
    source, name = fact.origin.key
    return (source, name.removesuffix(ROUTED_SUFFIX)) if isinstance(fact, ReleaseEnded) else (source, name)


def first_heard(twins: Sequence[Heard]) -> Heard:
    """Of facts with one identity the one that counts."""
    return twins[0] if len(twins) == 1 else min(twins, key=_precedence)


def _precedence(fact: Heard) -> tuple[bool, int, bool, bytes]:
    """An end notice that was placed comes before its own copy that was not: they were received at once."""
    origin = fact.origin
    return (origin.clock == NOT_AGREED, origin.received_us, not fact.printer, fact_bytes(fact))


def _counting(twins: Sequence[Heard], aside: Iterable[Conflict]) -> Iterator[Fact]:
    first = first_heard(twins)
    yield first
    known = list(aside)
    if len(twins) > 1 or known:
        digest = claim_digest(first)
        known += [_kept_aside(one, claim_digest(one)) for one in twins]
        yield from _each_claim([one for one in known if one.digest != digest])


def _kept_aside(fact: Heard, digest: str) -> Conflict:
    return Conflict(fact.printer, fact.origin, kind_of(fact), digest)


def _each_claim(conflicts: Iterable[Conflict]) -> Iterator[Conflict]:
    first: dict[str, Conflict] = {}
    for one in sorted(conflicts, key=lambda one: (one.origin.received_us, fact_bytes(one))):
        first.setdefault(one.digest, one)
    yield from first.values()
