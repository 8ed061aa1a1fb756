"""One finding with all that stands beside it: where the ledger has its pages, its releases, what people decided."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.accounts.decisions import Ruling
from pagereeve.domain.brackets.expectation import CLAIMED_CHANNELS
from pagereeve.domain.ledger import (
    ACCOUNT_KINDS,
    Charge,
    EvidenceKind,
    Finding,
    Posting,
    ReleaseKey,
    account_kind,
    is_meter,
)
from pagereeve.ports.reads import Reads
from pagereeve.queries.offers import offered
from pagereeve.queries.page_decisions import ruled

# Of so many of its releases it is looked up what came of them.
RELEASES_MAX: Final = 20


@dataclass(frozen=True, slots=True)
class Booked:
    """What the meter counted between the finding's two cuts, and by account kind who received it."""

    counted: int
    received: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True)
class NamedRelease:
    """``charge`` is that of its billed channel, its latest; None where it has no row yet."""

    key: ReleaseKey
    charge: Charge | None


@dataclass(frozen=True, slots=True)
class FindingStanding:
    """``booked`` is None where nothing is in the ledger between two cuts of it; ``more_releases`` are not in
    ``releases``; ``rulings`` are decisions about its pages.
    """

    finding: Finding
    booked: Booked | None
    releases: Sequence[NamedRelease]
    more_releases: int
    rulings: Sequence[Ruling]
    newest_us: int | None


async def finding_standing(held: Reads, name: str) -> FindingStanding | None:
    """None where there is no finding of that id. ``held`` is of one moment."""
    found = await held.finding(name)
    if found is None:
        return None
    [finding] = await offered(held, [found])
    keys = finding.releases[:RELEASES_MAX]
    return FindingStanding(
        finding,
        await _booked(held, finding),
        [NamedRelease(key, await _charge(held, key, finding.printer)) for key in keys],
        len(finding.releases) - len(keys),
        await _rulings(held, finding),
        await held.newest_us(),
    )


def _cuts(finding: Finding) -> Mapping[str, object]:
    cuts = next((one for one in finding.evidence if one.kind is EvidenceKind.CUTS), None)
    return {} if cuts is None else dict(cuts.values)


async def _booked(held: Reads, finding: Finding) -> Booked | None:
    cuts = _cuts(finding)
    closes_us = cuts.get("closes_us")
    if not isinstance(closes_us, int):
        return None
    place = (finding.printer, cuts.get("run"), cuts.get("channel"), cuts.get("opens_us"))
    async for one in held.postings(closes_us, closes_us + 1):
        if (one.printer, one.run, one.channel, one.opens_us) == place:
            return booked_of(one)
    return None


def booked_of(posting: Posting) -> Booked:
    """Persons are added up."""
    received: Counter[str] = Counter()
    for account, pages in posting.legs:
        if not is_meter(account):
            received[account_kind(account)] += pages
    counted = -sum(pages for account, pages in posting.legs if is_meter(account))
    return Booked(counted, tuple((kind, received[kind]) for kind in ACCOUNT_KINDS if received[kind]))


async def _charge(held: Reads, key: ReleaseKey, printer: str) -> Charge | None:
    known = [one for one in await held.charges_of(key.release) if one.release == key]

    def likeness(one: Charge) -> tuple[bool, bool, int]:
        return one.printer == printer, one.channel in CLAIMED_CHANNELS, one.started_us

    return max(known, key=likeness, default=None)


async def _rulings(held: Reads, finding: Finding) -> list[Ruling]:
    """Of all decisions, as one takes from another; nothing where none is about its releases or its gap."""
    keys, closes_us = set(finding.releases), _cuts(finding).get("closes_us")

    def concerns(ruling: Ruling) -> bool:
        said, printer = ruling.decided.said, ruling.decided.printer
        if said.of_release:
            return ReleaseKey(said.release_source, said.release_id) in keys
        return said.closes_us is not None and (printer, said.closes_us) == (finding.printer, closes_us)

    if not keys and closes_us is None:
        return []
    return [one for one in await ruled(held) if concerns(one)]
