"""What a batch adds to what a centre holds of its origin: every link computed anew, from the link that is held.

Facts that are held already are compared, so that a batch that is sent again adds nothing; nothing that is held is ever
replaced.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from pagereeve.domain.facts.codec import from_json
from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.facts.personal import kind_of, personal_names
from pagereeve.domain.forwarding.batch import Batch, SealedBody, SealedPlace
from pagereeve.domain.forwarding.refusal import BatchRefused
from pagereeve.domain.seal.chain import fact_digest, first_link, next_link
from pagereeve.domain.seal.commitments import Openings, present, sealed_members
from pagereeve.domain.values.canonical import canonical
from pagereeve.domain.values.errors import BadCanonical, BadFact

_UNREADABLE: Final = (ValueError, TypeError, AttributeError, BadCanonical, RecursionError)


@dataclass(frozen=True, slots=True)
class HeldOrigin:
    """What a centre holds of an origin. ``site`` is whose it is, None where nothing of it came yet; ``place`` is the
    highest that is held, all below it are.

    ``places`` are those from the batch's ``after`` to its last one that are held. ``tips`` are number and link of the
    latest held fact of each of the batch's timelines.
    """

    site: str | None = None
    place: int = 0
    places: Mapping[int, SealedPlace] = field(default_factory=dict)
    tips: Mapping[str, tuple[int, bytes]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class JoinedFact:
    """A fact that is new to the centre. ``fact`` is None where the site itself could not read it any more."""

    place: int
    sent: SealedBody
    fact: Fact | None


def joined_facts(batch: Batch, held: HeldOrigin, site: str) -> Sequence[JoinedFact]:
    """Those of the batch that are not held yet, in order; ``site`` is whose facts the sender may forward.

    Raises BatchRefused, and then nothing of the batch is to be joined.
    """
    if batch.site != site:
        problem = f"this credential forwards for {site!r}, and the batch names {batch.site[:80]!r}; name it alike"
        raise BatchRefused("wrong-origin", problem, has=None)
    if held.site is not None and held.site != site:
        problem = f"the journal {batch.origin} belongs to another site here; each site forwards a journal of its own"
        raise BatchRefused("wrong-origin", problem, has=None)
    if batch.facts and batch.after > held.place:
        problem = f"the centre has {held.place} facts, and the first that came is number {batch.after + 1}"
        raise BatchRefused("gap", f"{problem}; send from {held.place + 1} on", place=held.place + 1, has=held.place)
    _require_same_past(batch, held)
    chains = dict(held.tips)
    return [
        _joined(place, one, batch, chains, held)
        for place, one in enumerate(batch.facts, start=batch.after + 1)
        if place > held.place
    ]


def _require_same_past(batch: Batch, held: HeldOrigin) -> None:
    said = dict(enumerate((one.sealed for one in batch.facts), start=batch.after + 1))
    if batch.last is not None:
        said[batch.after] = batch.last
    for place, sealed in sorted(said.items()):
        if place <= held.place and held.places.get(place) != sealed:
            raise _fork(place, sealed, held)
    # A timeline whose first fact here is new goes on from the link that is held; else the past agreed above.
    first: dict[str, tuple[int, SealedPlace]] = {}
    for place, one in enumerate(batch.facts, start=batch.after + 1):
        first.setdefault(one.sealed.timeline, (place, one.sealed))
    for timeline, (place, sealed) in first.items():
        tip = held.tips.get(timeline)
        link = first_link(batch.origin, timeline) if tip is None else tip[1]
        if place > held.place and batch.links[timeline] != link:
            raise _fork(place, sealed, held)


def _fork(place: int, sealed: SealedPlace, held: HeldOrigin) -> BatchRefused:
    problem = (
        f"another fact is held at or before place {place} ({_named(sealed)}). The site's journal was set back to an "
        "older copy, runs twice, or was edited. What is held stays; nothing of this journal is taken any more"
    )
    return BatchRefused("fork", problem, place=place, has=held.place)


def _joined(
    place: int, one: SealedBody, batch: Batch, chains: dict[str, tuple[int, bytes]], held: HeldOrigin
) -> JoinedFact:
    """``chains`` are number and link of each timeline so far; this one moves its own on."""
    sealed = one.sealed
    seq, link = chains.get(sealed.timeline) or (0, first_link(batch.origin, sealed.timeline))
    if sealed.seq <= seq:
        problem = f"place {place}: {_named(sealed)} comes behind number {seq} of the same timeline"
        raise BatchRefused("malformed", problem, place=place, has=held.place)
    if one.body is not None and link_of(one.body, one.openings, link) != sealed.link:
        problem = f"place {place}: the content of {_named(sealed)} does not give its link"
        raise BatchRefused("broken-link", f"{problem}; send it again", place=place, has=held.place)
    chains[sealed.timeline] = (sealed.seq, sealed.link)
    return JoinedFact(place, one, None if one.body is None else _fact(place, one.body, sealed, held))


def _fact(place: int, body: str, sealed: SealedPlace, held: HeldOrigin) -> Fact:
    try:
        fact = from_json(json.loads(body))
    except BadFact as error:
        # The text of the error may quote the fact.
        problem = f"place {place}: {_named(sealed)} is not known here ({error.where[:80]}); upgrade the centre first"
        raise BatchRefused("unknown-fact", problem, place=place, has=held.place) from None
    if fact.printer != sealed.timeline:
        problem = f"place {place}: {_named(sealed)} is a fact of another timeline"
        raise BatchRefused("malformed", problem, place=place, has=held.place)
    return fact


def link_of(body: str, openings: str, before: bytes) -> bytes | None:
    """The link that a fact gives after the one before it; None where its body is none that this program writes."""
    content = _content(body, openings)
    return None if content is None else next_link(before, fact_digest(content))


def _content(body: str, openings: str) -> bytes | None:
    """The bytes that are sealed (../seal/README.md)."""
    try:
        members = json.loads(body)
        if canonical(members) != body.encode():
            return None
        names, known = present(members, personal_names(kind_of(members))), Openings.parsed(openings)
        # An older version may have known fewer members as personal; there are never more openings than members.
        if len(known) > len(names):
            return None
        return canonical(sealed_members(members, names[: len(known)], known))
    except _UNREADABLE:
        return None


def _named(sealed: SealedPlace) -> str:
    timeline = repr(sealed.timeline[:80]) if sealed.timeline else "the site itself"
    return f"fact {sealed.seq} of {timeline}"
