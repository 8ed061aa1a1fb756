"""A proof that a release's notices are among the facts of a head, for somebody who has no journal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from pagereeve.domain.seal.chain import entry, first_link
from pagereeve.domain.seal.merkle import PathHeads, inclusion_ranges, leaf_hash
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.ports.reads import Reads
from pagereeve.ports.seal import SealedContent, SealHead

FACTS_MAX = 100


@dataclass(frozen=True, slots=True)
class ProvenFact:
    """``previous`` is the link that its own follows; ``path`` leads from it to the head (RFC 9162 section 2.1.3)."""

    timeline: str
    position: int
    previous: bytes
    content: SealedContent
    path: Sequence[bytes]


@dataclass(frozen=True, slots=True)
class InclusionProof:
    release: str
    source: str
    head: SealHead
    facts: Sequence[ProvenFact]


@dataclass(slots=True)
class _Place:
    position: int
    previous: bytes
    heads: PathHeads = field(repr=False)


async def inclusion_proofs(reads: Reads, release: str, source: str | None = None) -> Sequence[InclusionProof]:
    """Of each release of that name. Raises BadQuestion where there is none, or nothing of it is sealed."""
    head = await reads.seal_head()
    sources = await _sources(reads, release, source)
    if head is None or not sources:
        raise BadQuestion("release", f"no release {release[:60]!r} is known; names are exact")
    wanted = {one: (await reads.release_places(one, release))[:FACTS_MAX] for one in sources}
    places = await _places(reads, head, {key for keys in wanted.values() for key in keys})
    proofs = []
    for one, keys in wanted.items():
        facts = [fact for key in keys if (fact := await _proven(reads, key, places)) is not None]
        if not facts:
            raise BadQuestion("release", "nothing of it is sealed, or it is damaged; pagereeve verify says more")
        proofs.append(InclusionProof(release, one, head, facts))
    return proofs


async def _sources(reads: Reads, release: str, source: str | None) -> Sequence[str]:
    known = sorted({charge.release.source for charge in await reads.charges_of(release)})
    return [one for one in known if source is None or one == source]


async def _places(reads: Reads, head: SealHead, keys: set[tuple[str, int]]) -> dict[tuple[str, int], _Place]:
    """Where they stand, and their paths: once through all entries to find them, and once more for the paths."""
    places: dict[tuple[str, int], _Place] = {}
    last: dict[str, bytes] = {}
    async for one in reads.sealed_links():
        if one.position <= head.size and one.link is not None:
            if (one.printer, one.seq) in keys:
                previous = last.get(one.printer) or first_link(head.origin, one.printer)
                ranges = PathHeads(inclusion_ranges(one.position - 1, head.size))
                places[one.printer, one.seq] = _Place(one.position, previous, ranges)
            last[one.printer] = one.link
    async for one in reads.sealed_links():
        if one.position <= head.size and one.link is not None:
            leaf = leaf_hash(entry(head.origin, one.printer, one.seq, one.link))
            for place in places.values():
                place.heads.add(leaf)
    return places


async def _proven(reads: Reads, key: tuple[str, int], places: dict[tuple[str, int], _Place]) -> ProvenFact | None:
    place, content = places.get(key), await reads.sealed_content(*key)
    if place is None or content is None:
        return None
    return ProvenFact(key[0], place.position, place.previous, content, place.heads.path())
