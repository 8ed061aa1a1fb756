"""What is new of facts that another journal forwards: compared with what is held, each link computed anew."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from pagereeve.domain.facts.claims import HEARD
from pagereeve.domain.facts.facts import Fact, Redated, instant_us
from pagereeve.domain.facts.sites import is_site_name, name_at, of_site
from pagereeve.domain.facts.union import Identity, identities
from pagereeve.domain.forwarding.batch import SealedPlace
from pagereeve.domain.forwarding.refusal import BatchRefused
from pagereeve.domain.seal.chain import fact_digest, first_link, next_link
from pagereeve.domain.values.errors import BadCanonical, BadFact
from pagereeve.domain.values.instants import FOREVER_US
from pagereeve.ports.origins import Forwarded, ForwardedFact, KnownOrigin
from pagereeve.store.records.batch import Batch, Numbered
from pagereeve.store.records.fact_record import FactRecord, fact_of, file
from pagereeve.store.records.sealing import content_of

_UNREADABLE: Final = (BadFact, BadCanonical, ValueError, TypeError, KeyError, AttributeError, RecursionError)


@dataclass(frozen=True, slots=True)
class HeldOrigin:
    """``places`` are those of the given facts that are held. ``tips``, by timeline as it is called there, are the
    latest that are held.
    """

    known: KnownOrigin
    places: Mapping[int, SealedPlace] = field(default_factory=dict)
    tips: Mapping[str, SealedPlace] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class NewFact:
    """``record`` is None where the fact's row is gone in its own journal."""

    sent: ForwardedFact
    record: FactRecord | None


def known_origin(origin: str, site: str, own: str, others: Sequence[KnownOrigin]) -> KnownOrigin:
    """``others``: those of that id or that site, and the one with the highest number. Raises BatchRefused."""
    if origin == own:
        raise BatchRefused("wrong-origin", "this is the same journal: it can't forward to itself")
    if not is_site_name(site):
        raise BatchRefused("wrong-origin", f"{site[:40]!r} is no site's name: letters, digits, full stops, - and _")
    same = [one for one in others if one.id == origin or one.site == site]
    if not same:
        return KnownOrigin(1 + max((one.number for one in others), default=0), origin, site, 0)
    for one in same:
        if (one.id, one.site) != (origin, site):
            was = f"journal {one.id[:8]} was forwarded as site {one.site}"
            problem = f"{was}; journal {origin[:8]} as site {site} is another. A site keeps its journal, and its name"
            raise BatchRefused("wrong-origin", problem, has=one.place)
    return same[0]


def new_facts(facts: Iterable[ForwardedFact], held: HeldOrigin) -> list[NewFact]:
    """In order. Raises BatchRefused."""
    known, place, tips = held.known, held.known.place, dict(held.tips)
    found: list[NewFact] = []
    for one in facts:
        if one.place <= known.place:
            if held.places.get(one.place) != one.held:
                problem = (
                    f"another fact is held at place {one.place} of {known.site}: that journal is an older copy, or"
                )
                raise BatchRefused("fork", f"{problem} was edited", place=one.place, has=known.place)
            continue
        if one.place != place + 1:
            problem = f"place {place + 1} of {known.site} is wanted next, not {one.place}"
            raise BatchRefused("gap", problem, place=one.place, has=known.place)
        tip = tips.get(one.held.timeline) or SealedPlace(one.held.timeline, 0, first_link(known.id, one.held.timeline))
        found.append(_new(one, tip, known))
        tips[one.held.timeline] = one.held
        place = one.place
    return found


def _new(one: ForwardedFact, tip: SealedPlace, known: KnownOrigin) -> NewFact:
    where = f"number {one.held.seq} of timeline {one.held.timeline or 'the site'} of {known.site}"
    if one.held.seq != tip.seq + 1:
        problem = f"{where} can't follow number {tip.seq}"
        raise BatchRefused("gap", problem, place=one.place, has=known.place)
    if one.body is None:
        return NewFact(one, None)
    content = content_of(one.body, one.openings)
    if content is None or next_link(tip.link, fact_digest(content)) != one.held.link:
        problem = f"{where} does not give the link that was sealed of it"
        raise BatchRefused("broken-link", problem, place=one.place, has=known.place)
    try:
        return NewFact(one, _record(one.body, one, known))
    except _UNREADABLE as error:
        problem = f"{where} can't be read here ({error}); install the site's version here first"
        raise BatchRefused("unknown-fact", problem, place=one.place, has=known.place) from error


def _record(body: str, one: ForwardedFact, known: KnownOrigin) -> FactRecord:
    """Found by what it is called here; body and digests are the site's own."""
    there = fact_of(body)
    if there.printer != one.held.timeline:
        raise BadFact("printer", f"is {there.printer[:40]!r}")
    record, here = file(there), of_site(there, known.site)
    identity = here.origin.key if isinstance(here, HEARD) else None
    return replace(
        record, fact=here, body=body, identity=identity, spans=None, origin=known.number, openings=one.openings
    )


def identities_of(new: Iterable[NewFact]) -> list[Identity]:
    """Of those that other journals may have heard too."""
    return identities(one.record.fact for one in new if one.record is not None)


def join_new(batch: Batch, new: Sequence[NewFact], known: KnownOrigin, twins: Iterable[Fact]) -> Forwarded:
    """Under the numbers that they have in their own journal. ``twins`` are held already of the same events."""
    since_us: dict[str, int] = {}
    for twin in twins:
        since_us[twin.printer] = min(instant_us(twin), since_us.get(twin.printer, FOREVER_US))
    for one in new:
        if one.record is None:
            continue
        record = one.record
        numbered = Numbered(one.sent.held.seq, record)
        batch.facts.append(numbered)
        batch.heads[record.printer] = numbered.seq
        if isinstance(record.fact, Redated):
            batch.redates.append(numbered)
        since_us[record.printer] = min(record.at_us, since_us.get(record.printer, record.at_us))
    place = new[-1].sent.place if new else known.place
    return Forwarded(place, len(new), since_us)


def rows_of(new: Iterable[NewFact], known: KnownOrigin) -> list[dict[str, object]]:
    """As table ``forwarded`` has them."""
    return [
        {
            "origin": known.number,
            "place": one.sent.place,
            "printer": name_at(known.site, one.sent.held.timeline),
            "seq": one.sent.held.seq,
            "link": one.sent.held.link.hex(),
        }
        for one in new
    ]
