"""A supplier's statement of meters, checked against the readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from pagereeve.domain.accounts.supplier_bill import (
    Agreement,
    BilledFigure,
    BillLine,
    CheckedFigure,
    CheckedLine,
    Match,
    Shown,
    Unsaid,
    billed_again,
    check_figure,
    joined,
    serial_key,
)
from pagereeve.domain.facts.facts import PlateauRead
from pagereeve.domain.facts.reading import Plateau
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.reads import Reads
from pagereeve.queries.newest_reading import newest_plateau

# How far before an instant a run of readings is looked for at first, and how much farther each time: a quiet printer
# has one for weeks, a busy one thousands a day.
_BACK_US: Final = 86_400 * SECOND_US
_FARTHER: Final = 8


@dataclass(frozen=True, slots=True)
class _Around:
    """The last run of readings that began before an instant, and the first that ended after it."""

    before: Plateau | None
    after: Plateau | None

    def serials(self) -> set[str]:
        known = {serial_key(one.sight.serial) for one in (self.before, self.after) if one is not None}
        return known - {""}


async def check_bill(reads: Reads, lines: Sequence[BillLine]) -> Sequence[CheckedLine]:
    """In the order of the lines, of one moment. Its cost goes by lines, and for devices that stand where no printer
    has them today by printers and dates; never by the period's length.
    """
    async with reads.snapshot() as held:
        readings = _Readings(held, await held.printers())
        again = billed_again(lines)
        return [replace(await _checked(readings, one), again=again.get(one.line)) for one in lines]


class _Readings:
    """Around each date of each printer that is asked for, read once."""

    def __init__(self, held: Reads, printers: Sequence[str]) -> None:
        self.held, self._printers = held, printers
        self._around: dict[tuple[str, BilledFigure], _Around] = {}
        self._today: dict[str, list[str]] | None = None

    async def around(self, printer: str, billed: BilledFigure) -> _Around:
        key = (printer, _when(billed))
        known = self._around.get(key)
        if known is None:
            known = self._around[key] = await _around(self.held, *key)
        return known

    async def printers_of(self, line: BillLine) -> list[str]:
        """That gave the line's serial number around one of its own dates. The printer that gives it today is asked
        first: if it is the device's at both, no other is.
        """
        serial = serial_key(line.serial)
        ends = (line.opening, line.closing)
        today = (await self._serials()).get(serial, [])
        if len(today) == 1 and all([serial in (await self.around(today[0], one)).serials() for one in ends]):
            return today
        return [
            name for name in self._printers if any([serial in (await self.around(name, one)).serials() for one in ends])
        ]

    async def _serials(self) -> dict[str, list[str]]:
        """By serial number the printers that gave it last."""
        if self._today is None:
            self._today = {}
            for name in self._printers:
                newest = await newest_plateau(self.held, name)
                if newest is not None:
                    self._today.setdefault(serial_key(newest.sight.serial), []).append(name)
        return self._today


def _when(billed: BilledFigure) -> BilledFigure:
    """Its date alone."""
    return BilledFigure(0, billed.from_us, billed.until_us)


async def _around(held: Reads, printer: str, when: BilledFigure) -> _Around:
    back_us = _BACK_US
    while True:
        since_us = max(when.from_us - back_us, 0)
        before: Plateau | None = None
        async for stored in held.facts(printer, since_us):
            if not isinstance(stored.fact, PlateauRead):
                continue
            plateau = stored.fact.plateau
            if plateau.first_received_us <= when.from_us:
                before = plateau
            if plateau.last_sent_us >= when.until_us:
                return _Around(before, plateau)
            if before is None and since_us:
                break
        if before is not None or not since_us:
            return await _and_newest(held, printer, when, before)
        back_us *= _FARTHER


async def _and_newest(held: Reads, printer: str, when: BilledFigure, before: Plateau | None) -> _Around:
    """No finished run of readings ends after the date: the one under way may."""
    newest = await newest_plateau(held, printer)
    if newest is None:
        return _Around(before, None)
    before = newest if newest.first_received_us <= when.from_us else before
    return _Around(before, newest if newest.last_sent_us >= when.until_us else None)


async def _checked(readings: _Readings, line: BillLine) -> CheckedLine:
    printers = await readings.printers_of(line)
    if len(printers) != 1:
        return CheckedLine(line, Match.SEVERAL if printers else Match.NOBODY, tuple(printers))
    (printer,) = printers
    opening = await _end(readings, line, line.opening, printer)
    closing = await _end(readings, line, line.closing, printer)
    first, last = opening.before, closing.after
    one_run = (
        first is not None and last is not None and await _one_run(readings.held, printer, line.channel, first, last)
    )
    return joined(line, printer, opening, closing, one_run=one_run)


async def _end(readings: _Readings, line: BillLine, billed: BilledFigure, printer: str) -> CheckedFigure:
    around = await readings.around(printer, billed)
    if around.serials() and serial_key(line.serial) not in around.serials():
        return CheckedFigure(billed, Agreement.UNKNOWN, why=Unsaid.OTHER_DEVICE)
    before = _shown(around.before, line.channel, billed.from_us)
    after = _shown(around.after, line.channel, billed.until_us)
    if before is None and after is None and around.before is not None:
        return CheckedFigure(billed, Agreement.UNKNOWN, why=Unsaid.NO_SUCH_CHANNEL)
    one_run = before is None or after is None or await _one_run(readings.held, printer, line.channel, before, after)
    return check_figure(billed, before, after, one_run=one_run)


def _shown(plateau: Plateau | None, channel: str, at_us: int) -> Shown | None:
    """What the run of readings showed at the instant nearest to the one that is asked for."""
    count = None if plateau is None else plateau.sight.count(channel)
    if plateau is None or count is None:
        return None
    return Shown(count.value, min(max(plateau.first_received_us, at_us), plateau.last_sent_us))


async def _one_run(held: Reads, printer: str, channel: str, first: Shown, last: Shown) -> bool:
    stretches = await held.stretches(printer, first.at_us, last.at_us)
    return len({one.run for one in stretches if one.channel == channel}) <= 1
