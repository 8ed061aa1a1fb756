"""Decisions about pages, each with the rows that it concerns: what is in force, what is not, and why."""

from __future__ import annotations

from collections.abc import Iterable

from pagereeve.domain.accounts.decisions import Concerned, DecisionPosting, Ruling, Rulings, in_force, rulings
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.facts.facts import PagesDecided
from pagereeve.domain.ledger import Charge, Posting, ReleaseKey, Stretch, is_house
from pagereeve.ports.decisions import DecisionReads


async def ruled(held: DecisionReads) -> list[Ruling]:
    """All decisions of the journal, in order of when they came. ``held`` is of one moment."""
    rows = _Rows(held)
    decided = [one async for one in held.page_decisions()]
    shown = {one.origin.key: await rows.concerned(one) for one in decided if one.said.act != "undo"}
    return rulings(decided, lambda one: shown.get(one.origin.key))


async def decided_in(held: DecisionReads, period: Period) -> list[DecisionPosting]:
    """What decisions post in a period: each where the pages belong that it is about."""
    return [one for one in in_force(await ruled(held)) if period.holds(one.at_us)]


async def ruling_on(held: DecisionReads, decided: PagesDecided) -> Ruling:
    """What would become of one more decision, made after all that are known."""
    return await (await Trial.of(held, but=decided.origin.id)).ruling(decided)


class Trial:
    """What would become of further decisions, one after the other, beside all that the journal holds."""

    def __init__(self, held: DecisionReads) -> None:
        self._rows = _Rows(held)
        self._rulings = Rulings()

    @classmethod
    async def of(cls, held: DecisionReads, but: str = "") -> Trial:
        """``but``: the id of one that is left out; one that is sent again stands already, and is no second one."""
        trial = cls(held)
        known = [one async for one in held.page_decisions() if one.origin.id != but]
        for one in sorted(known, key=lambda one: (one.origin.received_us, *one.origin.key)):
            await trial.ruling(one)
        return trial

    async def ruling(self, decided: PagesDecided) -> Ruling:
        return self._rulings.add(decided, await self._shown(decided))

    async def left(self, decided: PagesDecided) -> int:
        """How many pages stand where it would take them; 0 where there is nothing."""
        shown = await self._shown(decided)
        return 0 if shown is None else self._rulings.left(decided, shown)

    def known(self, name: str) -> Ruling | None:
        return self._rulings.rulings.get(name)

    async def _shown(self, decided: PagesDecided) -> Concerned | None:
        return None if decided.said.act == "undo" else await self._rows.concerned(decided)


async def decision_named(held: DecisionReads, name: str) -> PagesDecided | None:
    async for one in held.page_decisions():
        if one.origin.id == name:
            return one
    return None


async def charge_of(held: DecisionReads, decided: PagesDecided) -> Charge | None:
    """Of a name that was used again, the latest release that had started when it was decided."""
    said = decided.said
    key = ReleaseKey(said.release_source, said.release_id)
    known = [
        one
        for one in await held.charges_of(key.release)
        if (one.release, one.channel) == (key, said.channel)
        and decided.printer in {"", one.printer}
        and one.started_us <= decided.origin.received_us
    ]
    return max(known, key=lambda one: one.started_us, default=None)


class _Rows:
    """Remembers the postings of a stretch: decisions on it come several at once."""

    def __init__(self, held: DecisionReads) -> None:
        self._held = held
        self._postings: dict[int, list[Posting]] = {}

    async def concerned(self, decided: PagesDecided) -> Concerned | None:
        if decided.said.closes_us is not None:
            return await self._of_gap(decided, decided.said.closes_us)
        charge = await charge_of(self._held, decided)
        if charge is None:
            return None
        unit = "" if charge.unit is None else charge.unit.value
        closes_us = charge.closed_us
        house = {} if closes_us is None else await self._house(charge.printer, charge.channel, closes_us)
        return Concerned(charge.started_us, unit, closes_us, house, charge)

    async def _of_gap(self, decided: PagesDecided, closes_us: int) -> Concerned | None:
        channel = decided.said.channel
        near = await self._held.stretches(decided.printer, closes_us, closes_us)
        gaps = [one for one in near if _is_gap(one, channel, closes_us)]
        if not gaps:
            return None
        return Concerned(
            closes_us, gaps[0].unit.value, closes_us, await self._house(decided.printer, channel, closes_us)
        )

    async def _house(self, printer: str, channel: str, closes_us: int) -> dict[str, int]:
        if closes_us not in self._postings:
            self._postings[closes_us] = [one async for one in self._held.postings(closes_us, closes_us + 1)]
        received: dict[str, int] = {}
        for posting in self._postings[closes_us]:
            if (posting.printer, posting.channel) == (printer, channel):
                for account, pages in _house_legs(posting):
                    received[account] = received.get(account, 0) + pages
        return received


def _is_gap(stretch: Stretch, channel: str, closes_us: int) -> bool:
    return stretch.channel == channel and stretch.closes_us == closes_us and not stretch.releases


def _house_legs(posting: Posting) -> Iterable[tuple[str, int]]:
    return ((account, pages) for account, pages in posting.legs if is_house(account))
