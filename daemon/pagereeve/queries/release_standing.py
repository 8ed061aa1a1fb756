"""What came of a release so far: how it ended, what was worked out of it, what was found, and what people decided."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from pagereeve.domain.accounts.decisions import Ruling
from pagereeve.domain.brackets.expectation import CLAIMED_CHANNELS
from pagereeve.domain.facts.facts import Fact, Outcome, ReleaseStarted
from pagereeve.domain.ledger import Charge, Finding, ReleaseKey
from pagereeve.domain.projection.projection import UNKNOWN_PRINTER
from pagereeve.ports.reads import Reads
from pagereeve.queries.near_releases import NoSuchRelease, near_releases
from pagereeve.queries.page_decisions import ruled
from pagereeve.queries.release_evidence import notices_of

ReleaseState = Literal["received", "running", "not-judged-yet", "judged", "printer-unknown"]
"""``received``: its notice is stored, and nothing was worked out of it yet; ``running``: its end was not reported yet;
``not-judged-yet``: it ended, and its count is still open; ``printer-unknown``: nobody counts the pages of its printer.
"""

StandingPlace = tuple[int, str, str]
"""Start, printer, source: where a page of releases of one name ends."""


@dataclass(frozen=True, slots=True)
class ReleaseStanding:
    """``charges`` has a row for each channel, the billed ones first; ``decided`` are decisions about its pages.

    ``ended_us`` and ``outcome`` are None while nobody reported its end.
    """

    key: ReleaseKey
    printer: str
    started_us: int
    ended_us: int | None
    outcome: Outcome | None
    state: ReleaseState
    charges: Sequence[Charge]
    findings: Sequence[Finding]
    decided: Sequence[Ruling]

    @property
    def place(self) -> StandingPlace:
        return self.started_us, self.printer, self.key.source


@dataclass(frozen=True, slots=True)
class StandingPage:
    standings: Sequence[ReleaseStanding]
    after: StandingPlace | None


async def standings_page(
    held: Reads, release: str, source: str | None, limit: int, after: StandingPlace | None = None
) -> StandingPage:
    """Each release of that name, the latest first: several sources may use it, and one source again.

    ``held`` is of one moment. Raises NoSuchRelease where there is none.
    """
    charges = [one for one in await held.charges_of(release) if source in {None, one.release.source}]
    places = sorted({(one.started_us, one.printer, one.release.source) for one in charges}, reverse=True)
    if not places:
        just_received = [] if source is None else await _just_received(held, ReleaseKey(source, release))
        if not just_received:
            raise NoSuchRelease(release, await near_releases(held, release, source))
        return StandingPage(just_received, None)
    left = [one for one in places if after is None or one < after]
    shown = left[:limit]
    rulings = await _rulings(held, release) if shown else []
    standings = []
    for place in shown:
        own = [one for one in charges if (one.started_us, one.printer, one.release.source) == place]
        standings.append(await _standing(held, own, rulings))
    return StandingPage(standings, shown[-1] if len(left) > limit else None)


async def _standing(held: Reads, charges: Sequence[Charge], rulings: Iterable[Ruling]) -> ReleaseStanding:
    first = charges[0]
    key, printer, started_us = first.release, first.printer, first.started_us
    facts = [one for one in await held.release_facts(key.source, key.release) if one.printer == printer]
    _, ends = notices_of(facts, started_us)
    counted = next((one for one in ends if one.origin.at_us == first.ended_us), ends[0] if ends else None)
    return ReleaseStanding(
        key,
        printer,
        started_us,
        first.ended_us,
        None if counted is None else counted.outcome,
        _state(charges),
        sorted(charges, key=lambda one: (one.channel not in CLAIMED_CHANNELS, one.channel)),
        await held.findings_of(key),
        [one for one in rulings if _is_on(one, first)],
    )


def _state(charges: Sequence[Charge]) -> ReleaseState:
    billed = [one for one in charges if one.channel in CLAIMED_CHANNELS] or charges
    if any(UNKNOWN_PRINTER in one.reasons for one in billed):
        return "printer-unknown"
    if all(one.verdict is not None for one in billed):
        return "judged"
    return "running" if billed[0].ended_us is None else "not-judged-yet"


async def _just_received(held: Reads, key: ReleaseKey) -> list[ReleaseStanding]:
    """Its start is a fact, and its rows come in a moment."""
    facts = await held.release_facts(key.source, key.release)
    return [_received(key, one, facts) for one in facts if isinstance(one, ReleaseStarted)][-1:]


def _received(key: ReleaseKey, started: ReleaseStarted, facts: Sequence[Fact]) -> ReleaseStanding:
    _, ends = notices_of(facts, started.origin.at_us)
    ended_us, outcome = (ends[0].origin.at_us, ends[0].outcome) if ends else (None, None)
    return ReleaseStanding(key, started.printer, started.origin.at_us, ended_us, outcome, "received", (), (), ())


async def _rulings(held: Reads, release: str) -> Sequence[Ruling]:
    """Of all decisions, as one takes from another; nothing where none is about the name."""
    async for one in held.page_decisions():
        if one.said.release_id == release:
            return await ruled(held)
    return ()


def _is_on(ruling: Ruling, of: Charge) -> bool:
    charge = None if ruling.posting is None else ruling.posting.charge
    return charge is not None and (charge.release, charge.printer, charge.started_us) == (
        of.release,
        of.printer,
        of.started_us,
    )
