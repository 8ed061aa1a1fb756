"""Facts of several endpoints, readers and journals as one set: each event once, whoever heard it, in whatever order.

The step before the timelines. What counts is a function of the set of facts alone.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from typing import Final

from pagereeve.domain.facts.claims import HEARD, Heard, claim_digest, kind_of
from pagereeve.domain.facts.codec import fact_bytes
from pagereeve.domain.facts.facts import Conflict, Fact, PlateauRead, ReadFailed, ReleaseEnded
from pagereeve.domain.facts.redating import NOT_AGREED
from pagereeve.domain.facts.sites import as_said, is_everybodys, is_of_no_printer

Identity = tuple[str, str]
ROUTED_SUFFIX: Final = "#routed"
"""The id of an end notice's copy on the timeline of its start ends in it: the same event."""

_READ: Final = frozenset({PlateauRead, ReadFailed})


def joined(facts: Iterable[Fact], sites: Collection[str] = ()) -> list[Fact]:
    """All facts, and of twins (events of one source and id) the one that counts. What is no event may come twice.

    That is the first received; one that was received while our clock was not agreed comes after all others. Of
    another claim under the same identity one Conflict is left, as its first receipt has it. A claim is what was said at
    the journal that heard it: names of ``sites`` are qualified here alone.
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
    counting = [one for key, twins in heard.items() for one in _counting(twins, aside.pop(key, ()), sites)]
    return [*others, *counting, *(one for known in aside.values() for one in _each_claim(known))]


def counting_at(printer: str, facts: Sequence[Fact], twins: Sequence[Fact], sites: Collection[str]) -> list[Fact]:
    """Of a timeline's facts those that count, ``twins`` being all that any journal holds of the same events: one of
    each counts, on one timeline, and of another claim that is among them one Conflict is left, on one.
    """
    return [one for one in joined([*facts, *twins], sites) if one.printer == printer]


def identities(facts: Iterable[Fact]) -> list[Identity]:
    """Of those that other journals may have heard too: their source is everybody's."""
    heard = (identity(one) for one in facts if isinstance(one, HEARD))
    return list(dict.fromkeys(key for key in heard if is_everybodys(key[0])))


def identity(fact: Heard) -> Identity:
    source, name = fact.origin.key
    return (source, name.removesuffix(ROUTED_SUFFIX)) if isinstance(fact, ReleaseEnded) else (source, name)


def first_heard(twins: Sequence[Heard]) -> Heard:
    """Of facts with one identity the one that counts."""
    return twins[0] if len(twins) == 1 else min(twins, key=_precedence)


def _precedence(fact: Heard) -> tuple[bool, int, bool, bytes]:
    """An end notice that was placed comes before its own copy that was not: they were received at once."""
    origin = fact.origin
    return (origin.clock == NOT_AGREED, origin.received_us, is_of_no_printer(fact.printer), fact_bytes(fact))


def _counting(twins: Sequence[Heard], aside: Iterable[Conflict], sites: Collection[str]) -> Iterator[Fact]:
    first = first_heard(twins)
    yield first
    known = list(aside)
    if len(twins) > 1 or known:
        digest = claim_digest(as_said(first, sites))
        known += [_kept_aside(one, claim_digest(as_said(one, sites))) for one in twins]
        yield from _each_claim([one for one in known if one.digest != digest])


def _kept_aside(fact: Heard, digest: str) -> Conflict:
    return Conflict(fact.printer, fact.origin, kind_of(fact), digest)


def _each_claim(conflicts: Iterable[Conflict]) -> Iterator[Conflict]:
    first: dict[str, Conflict] = {}
    for one in sorted(conflicts, key=lambda one: (one.origin.received_us, fact_bytes(one))):
        first.setdefault(one.digest, one)
    yield from first.values()
