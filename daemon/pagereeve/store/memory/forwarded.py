"""Facts of other journals in memory: ports.origins."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from pagereeve.domain.facts.facts import SiteChecked
from pagereeve.domain.facts.sites import name_at, site_of
from pagereeve.domain.forwarding.batch import SealedPlace
from pagereeve.domain.forwarding.refusal import BatchRefused
from pagereeve.ports.origins import ORIGINS_MAX, ForwardedFact, KnownOrigin
from pagereeve.store.records.batch import Numbered
from pagereeve.store.records.forwarded import HeldOrigin, NewFact, known_origin, new_facts


class MemoryOrigins:
    """The part of MemoryJournal that says what is held of other journals."""

    _facts: dict[str, list[Numbered]]

    def __init__(self) -> None:
        self._origins: dict[str, KnownOrigin] = {}
        self._held_places: dict[str, dict[int, SealedPlace]] = {}

    def is_of_a_site(self, printer: str) -> bool:
        return site_of(printer) in {one.site for one in self._origins.values()}

    async def origins(self) -> Sequence[KnownOrigin]:
        return sorted(self._origins.values(), key=lambda one: one.site)[:ORIGINS_MAX]

    async def site_checks(self) -> Mapping[str, SiteChecked]:
        known = [one.filing.fact for one in self._facts.get("", ()) if isinstance(one.filing.fact, SiteChecked)]
        latest = {
            one.site: one for one in sorted(known, key=lambda one: one.origin.at_us) if isinstance(one, SiteChecked)
        }
        return {site: one for site, one in latest.items() if self.is_of_a_site(name_at(site, ""))}

    async def held_places(self, origin: str, after: int, limit: int) -> Mapping[int, SealedPlace]:
        held = self._held_places.get(origin, {})
        return {place: held[place] for place in [one for one in sorted(held) if one > after][:limit]}

    async def held_tips(self, origin: str, timelines: Sequence[str]) -> Mapping[str, SealedPlace]:
        held = self._held_places.get(origin, {})
        latest = {one.timeline: one for _, one in sorted(held.items())}
        return {timeline: latest[timeline] for timeline in timelines if timeline in latest}

    async def _new_of(
        self, own: str, origin: str, site: str, facts: Sequence[ForwardedFact], printers: Sequence[str]
    ) -> tuple[KnownOrigin, list[NewFact]]:
        """Raises BatchRefused; ``printers`` have facts already."""
        known = known_origin(origin, site, own, list(self._origins.values()))
        tips = await self.held_tips(origin, [one.held.timeline for one in facts])
        new = new_facts(facts, HeldOrigin(known, self._held_places.get(origin, {}), tips))
        taken = [one for one in printers if one.startswith(name_at(site, ""))]
        if new and known.place == 0 and taken:
            problem = f"this journal has facts of {taken[0][:60]!r} of its own; call the site otherwise"
            raise BatchRefused("name-taken", problem)
        return known, new

    def _hold(self, known: KnownOrigin, new: Sequence[NewFact]) -> None:
        held = self._held_places.setdefault(known.id, {})
        held.update((one.sent.place, one.sent.held) for one in new)
        self._origins[known.id] = replace(known, place=max(held, default=0))
