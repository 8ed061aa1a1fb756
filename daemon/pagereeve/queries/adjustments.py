"""What late facts and decisions change in closed periods: taken over by later closes, or outstanding.

Only printers that the store noted as touched are looked at. Where the program's own rules changed since a close, what
they change stands apart, and posts nothing.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace

from pagereeve.domain.accounts.adjustments import Difference, printer_of
from pagereeve.domain.accounts.decisions import DecisionPosting, in_force
from pagereeve.domain.accounts.entries import Adjustment, Correction, EntryKey
from pagereeve.domain.accounts.frozen import FrozenAdjustment, FrozenHead
from pagereeve.domain.accounts.people import People
from pagereeve.domain.accounts.period_rows import rows_in
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.ledger import cost_centre_of
from pagereeve.domain.projection.resume_point import PROJECTION_VERSION
from pagereeve.ports.closing import ClosedPeriod
from pagereeve.ports.reads import Reads
from pagereeve.queries.as_sealed import period_of_closed, require_as_sealed
from pagereeve.queries.page_decisions import ruled
from pagereeve.queries.people import people_of
from pagereeve.queries.reprojected import Reprojected, SeenByClose, reprojected

Touched = Mapping[str, Collection[str]]
"""By closed period, the printers of which rows were written since the last close."""


@dataclass(frozen=True, slots=True)
class TakenOver:
    """``by``: the closed period among whose rows it was frozen."""

    by: str
    correction: Correction


@dataclass(frozen=True, slots=True)
class ChangesTo:
    """What stands against a closed period. ``own`` is what the program's own rules change: nobody's pages until
    somebody decides. Each part balances.
    """

    closed: ClosedPeriod
    outstanding: tuple[Correction, ...] = ()
    taken: tuple[TakenOver, ...] = ()
    own: tuple[Adjustment, ...] = ()


async def outstanding(held: Reads) -> list[Correction]:
    """Of all closed periods, in order of time, what no close has taken over. ``held`` is of one moment."""
    look = await _Look.of(held)
    if not look.touched:
        return []
    found = [one async for one in look.changes(look.touched)]
    return [correction for changes in found[::-1] for correction in changes.outstanding]


async def outstanding_in(held: Reads, period: Period) -> list[Correction]:
    """As the period's rows: it begins where the last closed one ends, so that it can be closed next; else none."""
    closed = await held.closed_periods()
    return await outstanding(held) if closed and closed[-1].closing.to_us == period.from_us else []


async def changes_to(held: Reads, named: ClosedPeriod | None = None) -> list[ChangesTo]:
    """Of each closed period, or of one alone and with what was taken over. Raises NotClosed where one is damaged."""
    look = await _Look.of(held)
    wanted = [named.name] if named else [one.name for one in look.known if look.has_changes(one)]
    found = {one.closed.name: one async for one in look.changes(wanted, own=True)} if wanted else {}
    shown = look.known if named is None else [named]
    changes = [found.get(one.name, ChangesTo(one)) for one in shown]
    return changes if named else [ChangesTo(one.closed, one.outstanding, (), one.own) for one in changes]


async def changed_since(held: Reads, closed: ClosedPeriod) -> list[Adjustment]:
    """How its rows differ today from those that were frozen, whether a close took that over or not; what the program's
    own rules change aside. Raises NotClosed where it is damaged.
    """
    [changes] = await changes_to(held, closed)
    found: dict[EntryKey, Adjustment] = {}
    for one in (*(taken.correction for taken in changes.taken), *changes.outstanding):
        adjustment = one.adjustment
        known = found.get(adjustment.key)
        found[adjustment.key] = adjustment if known is None else replace(known, now=known.now + adjustment.pages)
    return [one for one in found.values() if one.pages]


@dataclass(slots=True)
class _Look:
    """``known`` are in order of time. Of those that are ``mixed`` a close since then saw rows of other rules than
    today's.
    """

    held: Reads
    known: Sequence[ClosedPeriod]
    touched: Touched
    mixed: frozenset[str]
    _decided: list[DecisionPosting] | None = None
    _people: People | None = None
    _taken: dict[str, list[TakenOver]] = field(default_factory=dict)

    @classmethod
    async def of(cls, held: Reads) -> _Look:
        known = await held.closed_periods()
        mixed, other = set[str](), False
        for one in reversed(known):
            other = other or one.closing.version != PROJECTION_VERSION
            if other:
                mixed.add(one.name)
        return cls(held, known, await _touched(held, known), frozenset(mixed))

    def has_changes(self, closed: ClosedPeriod) -> bool:
        """Whether there may be any that no close has taken over."""
        return closed.name in self.touched or closed.name in self.mixed

    async def changes(self, wanted: Collection[str], *, own: bool = False) -> AsyncIterator[ChangesTo]:
        """The latest first: what a close took over is known before the period that it corrects. Every row of these
        periods, and of those after them, is read, so that it is what was frozen.
        """
        since = await self._since_heads([name for name in wanted if name in self.mixed])
        first = next((nth for nth, one in enumerate(self.known) if one.name in wanted), len(self.known))
        for closed in reversed(self.known[first:]):
            await require_as_sealed(self.held, closed)
            difference, printers = Difference(), set[str]()
            whole = own and closed.name in wanted and closed.name in self.mixed
            if closed.name in wanted and (own or closed.name not in self.mixed):
                printers |= set(self.touched.get(closed.name, ()))
            if whole:
                printers |= {one.correction.adjustment.key.printer for one in self._taken.get(closed.name, ())}
            await self._read(closed, difference, printers, whole=whole)
            if closed.name in wanted:
                yield await self._changes_to(closed, difference, printers, since.get(closed.name, []), own=own)

    async def _read(self, closed: ClosedPeriod, difference: Difference, printers: set[str], *, whole: bool) -> None:
        """``whole``: of all printers, which are added."""
        async for row in self.held.frozen_rows(closed, None if whole else printers):
            if isinstance(row, FrozenAdjustment):
                one = TakenOver(closed.name, row.correction)
                self._taken.setdefault(row.correction.corrects, []).append(one)
                continue
            printer = printer_of(row)
            if printer is not None and whole:
                printers.add(printer)
            if printer in printers:
                difference.add_frozen(row)

    async def _changes_to(
        self, closed: ClosedPeriod, difference: Difference, printers: set[str], since: list[Adjustment], *, own: bool
    ) -> ChangesTo:
        taken = self._taken.get(closed.name, [])
        if closed.name in self.mixed and not own:
            return ChangesTo(closed, await self._corrections(closed, since), tuple(taken))
        for one in taken:
            if one.correction.adjustment.key.printer in printers:
                difference.add_adjustment(one.correction.adjustment)
        for printer in sorted(printers):
            await self._add_current(difference, closed, printer)
        if closed.name not in self.mixed:
            return ChangesTo(closed, await self._corrections(closed, difference.adjustments()), tuple(taken))
        for adjustment in since:
            difference.add_adjustment(adjustment)
        late = await self._corrections(closed, since)
        return ChangesTo(closed, late, tuple(taken), tuple(difference.adjustments()))

    async def _since_heads(self, wanted: Sequence[str]) -> dict[str, list[Adjustment]]:
        """By closed period, the difference between the facts that the last close saw and those of today, both by the
        rules of today.
        """
        printers = sorted({printer for name in wanted for printer in self.touched.get(name, ())})
        found: dict[str, list[Adjustment]] = {}
        if not printers:
            return found
        seen = await self._seen_by_last_close()
        for printer in printers:
            before = await reprojected(self.held, printer, seen)
            if before is None:
                continue
            for closed in self.known:
                if closed.name in wanted:
                    found.setdefault(closed.name, []).extend(await self._since(closed, printer, before))
        return found

    async def _since(self, closed: ClosedPeriod, printer: str, before: Reprojected) -> list[Adjustment]:
        difference = Difference()
        for row in rows_in(period_of_closed(closed), before.segments, before.decided):
            difference.add_frozen(row)
        await self._add_current(difference, closed, printer)
        return difference.adjustments()

    async def _seen_by_last_close(self) -> SeenByClose:
        last, heads = self.known[-1], dict[str, int]()
        async for row in self.held.frozen_rows(last, ()):
            if isinstance(row, FrozenHead):
                heads[row.printer] = row.seq
        return SeenByClose(heads, last.closing.at_us, last.closing.to_us)

    async def _add_current(self, difference: Difference, closed: ClosedPeriod, printer: str) -> None:
        period = period_of_closed(closed)
        segments = await self.held.period_segments(printer, period.from_us, period.to_us)
        if self._decided is None:
            self._decided = in_force(await ruled(self.held))
        decided = [one for one in self._decided if one.printer == printer]
        for row in rows_in(period, segments, decided):
            difference.add_current(row)

    async def _corrections(self, closed: ClosedPeriod, adjustments: Sequence[Adjustment]) -> tuple[Correction, ...]:
        if adjustments and self._people is None:
            self._people = await people_of(self.held)
        return tuple(Correction(closed.name, one, self._centre_of(one)) for one in adjustments)

    def _centre_of(self, one: Adjustment) -> str:
        centre = cost_centre_of(one.key.account)
        if centre is not None or not one.key.owner or self._people is None:
            return centre or ""
        return self._people.at(one.key.owner, one.at_us)


async def _touched(held: Reads, known: Sequence[ClosedPeriod]) -> Touched:
    """A decision is noted without its period: whatever was decided at its printer is looked at, undone or not.

    A period that is being closed may be noted, too: it has no frozen rows yet.
    """
    touched: dict[str, set[str]] = {}
    names = {one.name for one in known}
    decided: set[str] = set()
    for one in await held.closed_touched():
        if one.period in names:
            touched.setdefault(one.period, set()).add(one.printer)
        elif not one.period:
            decided.add(one.printer)
    if decided:
        postings = [one.posting for one in await ruled(held) if one.posting is not None]
        for posting in postings:
            for closed in known:
                if posting.printer in decided and closed.closing.from_us <= posting.at_us < closed.closing.to_us:
                    touched.setdefault(closed.name, set()).add(posting.printer)
    return touched
