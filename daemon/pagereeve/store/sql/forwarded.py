"""Facts of other journals: what is held of each, and storing what is new of what was forwarded."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from operator import itemgetter
from typing import Any, Final

from sqlalchemy import Connection, Row, Select, func, insert, or_, select

from pagereeve.domain.facts.facts import JOURNAL_SOURCE, Fact, SiteChecked
from pagereeve.domain.facts.sites import AFTER_DIVIDER, name_at
from pagereeve.domain.facts.union import ROUTED_SUFFIX, Identity
from pagereeve.domain.forwarding.batch import SealedPlace
from pagereeve.domain.forwarding.refusal import BatchRefused
from pagereeve.ports.origins import CHECKS_MAX, ORIGINS_MAX, Forwarded, ForwardedFact, KnownOrigin
from pagereeve.store.records.batch import Batch
from pagereeve.store.records.checked_rows import Damage
from pagereeve.store.records.forwarded import HeldOrigin, identities_of, join_new, known_origin, new_facts, rows_of
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.snapshots import Reader

IDS_AT_ONCE: Final = 500
PLACES_MAX: Final = 10_000
TIMELINES_MAX: Final = 1_000
PAGE_ROWS: Final = 200

_ORIGIN: Final = schema.origin.c
_HELD: Final = schema.forwarded.c
_FACT: Final = schema.fact.c
_PLACE: Final = select(func.max(_HELD.place)).where(_HELD.origin == _ORIGIN.number).scalar_subquery()
_KNOWN: Final = select(_ORIGIN.number, _ORIGIN.id, _ORIGIN.site, func.coalesce(_PLACE, 0).label("place"))
_OTHERS: Final = _KNOWN.where(_ORIGIN.number > 0)
_LAST: Final = select(func.max(_ORIGIN.number)).scalar_subquery()
_OWN_ID: Final = select(_ORIGIN.id).where(_ORIGIN.number == 0)


def append_forwarded(
    connection: Connection, batch: Batch, origin: str, site: str, facts: Sequence[ForwardedFact]
) -> Forwarded:
    """In a transaction whose end writes the batch. Raises BatchRefused."""
    own = str(connection.execute(_OWN_ID).scalar_one())
    near = or_(_ORIGIN.id == origin, _ORIGIN.site == site, _ORIGIN.number == _LAST)
    known = known_origin(origin, site, own, [_known(row) for row in connection.execute(_OTHERS.where(near))])
    held = HeldOrigin(known, _places(connection, known, facts), _tips(connection, known, facts))
    new = new_facts(facts, held)
    if not new:
        return Forwarded(known.place)
    if known.place == 0:
        _begin(connection, known)
    connection.execute(insert(schema.forwarded), rows_of(new, known))
    return join_new(batch, new, known, _twins(connection, identities_of(new)))


def _begin(connection: Connection, known: KnownOrigin) -> None:
    """Raises BatchRefused where names of the site could be taken for our own."""
    first, behind = name_at(known.site, ""), known.site + AFTER_DIVIDER
    of_ours = select(_FACT.printer).where(_FACT.printer >= first, _FACT.printer < behind).limit(1)
    if (name := connection.execute(of_ours).scalar()) is not None:
        problem = f"this journal has facts of {str(name)[:60]!r} of its own; call the site otherwise"
        raise BatchRefused("name-taken", problem)
    connection.execute(insert(schema.origin), {"number": known.number, "id": known.id, "site": known.site})


def _places(connection: Connection, known: KnownOrigin, facts: Sequence[ForwardedFact]) -> Mapping[int, SealedPlace]:
    wanted = [one.place for one in facts if one.place <= known.place]
    if not wanted:
        return {}
    rows = connection.execute(_held(known.number).where(_HELD.place.between(min(wanted), max(wanted))))
    return {row.place: _held_place(row, known.site) for row in rows}


def _tips(connection: Connection, known: KnownOrigin, facts: Sequence[ForwardedFact]) -> Mapping[str, SealedPlace]:
    tips: dict[str, SealedPlace] = {}
    for timeline in {one.held.timeline for one in facts}:
        row = connection.execute(_tip(known.site, timeline)).one_or_none()
        if row is not None:
            tips[timeline] = _held_place(row, known.site)
    return tips


def _twins(connection: Connection, keys: Sequence[Identity]) -> list[Fact]:
    damage = Damage()
    found = (damage.whole(row) for select_ in _twins_of(keys) for row in connection.execute(select_))
    return [fact for fact in found if fact is not None]


def _twins_of(keys: Sequence[Identity]) -> Iterator[Select[Any]]:
    """So many ids at once; each by its own index."""
    for source, group in groupby(sorted(set(keys)), key=itemgetter(0)):
        ids = [name for _, event_id in group for name in (event_id, f"{event_id}{ROUTED_SUFFIX}")]
        of_source = select(*schema.CHECKED).where(schema.sent_by(source), _FACT.shift_us.is_not(None))
        for start in range(0, len(ids), IDS_AT_ONCE):
            yield of_source.where(_FACT.event_id.in_(ids[start : start + IDS_AT_ONCE]))


def _held(number: int) -> Select[Any]:
    return select(_HELD.place, _HELD.printer, _HELD.seq, _HELD.link).where(_HELD.origin == number)


def _tip(site: str, timeline: str) -> Select[Any]:
    of_it = select(_HELD.place, _HELD.printer, _HELD.seq, _HELD.link).where(_HELD.printer == name_at(site, timeline))
    return of_it.order_by(_HELD.seq.desc()).limit(1)


def _held_place(row: Row[Any], site: str) -> SealedPlace:
    return SealedPlace(row.printer.removeprefix(name_at(site, "")), row.seq, bytes.fromhex(row.link))


def _known(row: Any) -> KnownOrigin:
    return KnownOrigin(row.number, row.id, row.site, row.place)


class OriginReads:
    """ports.origins.OriginReads."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    async def own_origin(self) -> str:
        row = await self._reader.first(_OWN_ID)
        return "" if row is None else str(row.id)

    async def origins(self) -> Sequence[KnownOrigin]:
        return [_known(row) for row in await self._reader.rows(_OTHERS.order_by(_ORIGIN.site).limit(ORIGINS_MAX))]

    async def twins(self, keys: Sequence[Identity]) -> Sequence[Fact]:
        found = [self._reader.damage.whole(row) for one in _twins_of(keys) for row in await self._reader.rows(one)]
        return [fact for fact in found if fact is not None]

    async def site_checks(self) -> Mapping[str, SiteChecked]:
        """Back from the latest of what the journal says of itself, until each site was met."""
        sites = {one.site for one in await self.origins()}
        found: dict[str, SiteChecked] = {}
        named = select(*schema.CHECKED).where(_FACT.source == JOURNAL_SOURCE, schema.OWN, _FACT.shift_us.is_not(None))
        order = (_FACT.at_us.desc(), _FACT.seq.desc())
        for start in range(0, CHECKS_MAX, PAGE_ROWS):
            if not sites:
                break
            rows = await self._reader.rows(named.order_by(*order).limit(PAGE_ROWS).offset(start))
            for row in rows:
                fact = self._reader.damage.fact(row) if row.kind == "site-checked" else None
                if isinstance(fact, SiteChecked) and fact.site in sites:
                    found[fact.site] = fact
                    sites.discard(fact.site)
            if len(rows) < PAGE_ROWS:
                break
        return found

    async def held_places(self, origin: str, after: int, limit: int) -> Mapping[int, SealedPlace]:
        row = await self._reader.first(_OTHERS.where(_ORIGIN.id == origin))
        if row is None:
            return {}
        page = _held(row.number).where(_HELD.place > after).order_by(_HELD.place).limit(min(limit, PLACES_MAX))
        return {one.place: _held_place(one, row.site) for one in await self._reader.rows(page)}

    async def held_tips(self, origin: str, timelines: Sequence[str]) -> Mapping[str, SealedPlace]:
        row = await self._reader.first(_OTHERS.where(_ORIGIN.id == origin))
        tips: dict[str, SealedPlace] = {}
        if row is None:
            return tips
        for timeline in list(dict.fromkeys(timelines))[:TIMELINES_MAX]:
            tip = await self._reader.first(_tip(row.site, timeline))
            if tip is not None:
                tips[timeline] = _held_place(tip, row.site)
        return tips
