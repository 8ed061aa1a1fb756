"""A supplier's statement of meters, checked against the readings."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

from pagereeve.domain.accounts.supplier_bill import (
    Agreement,
    BilledFigure,
    BillLine,
    CheckedFigure,
    CheckedLine,
    Match,
    PanelShown,
    Shown,
    Unsaid,
    beside_panel,
    billed_again,
    check_figure,
    joined,
    serial_key,
)
from pagereeve.domain.facts.panel import PanelReading, standing
from pagereeve.domain.facts.reading import Plateau
from pagereeve.ports.reads import Reads
from pagereeve.queries.newest_reading import newest_plateau
from pagereeve.queries.noted_readings import meter_around
from pagereeve.queries.readings_around import Around, readings_around

PANELS_MAX: Final = 50
NO_SERIALS: Final[Mapping[str, str]] = {}


def _serials(around: Around) -> set[str]:
    known = {serial_key(one.sight.serial) for one in (around.before, around.after) if one is not None}
    return known - {""}


async def check_bill(
    reads: Reads, lines: Sequence[BillLine], serials: Mapping[str, str] = NO_SERIALS
) -> Sequence[CheckedLine]:
    """In the order of the lines, of one moment. Its cost goes by lines, and for devices that stand where no printer
    has them today by printers and dates; never by the period's length. ``serials`` are of printers, by name, whose
    panel people read: no meter gives theirs.
    """
    async with reads.snapshot() as held:
        readings = _Readings(held, await held.printers(), serials)
        again = billed_again(lines)
        return [replace(await _checked(readings, one), again=again.get(one.line)) for one in lines]


class _Readings:
    """Around each date of each printer that is asked for, read once."""

    def __init__(self, held: Reads, printers: Sequence[str], serials: Mapping[str, str]) -> None:
        self.held, self._printers = held, printers
        self._named = {name: serial_key(serial) for name, serial in serials.items() if serial}
        self._around: dict[tuple[str, BilledFigure], Around] = {}
        self._today: dict[str, list[str]] | None = None
        self._panels: dict[tuple[str, str], list[PanelReading]] | None = None

    async def around(self, printer: str, billed: BilledFigure) -> Around:
        key = (printer, _when(billed))
        known = self._around.get(key)
        if known is None:
            known = self._around[key] = await readings_around(self.held, printer, billed.from_us, billed.until_us)
        return known

    async def panels(self, printer: str, channel: str, billed: BilledFigure) -> Sequence[PanelShown]:
        """The standing figures of a panel and channel around a date: inside it, and the next ones on both sides."""
        if self._panels is None:
            self._panels = {}
            for one in standing([one async for one in self.held.noted_readings()]):
                self._panels.setdefault((one.noted.printer, one.channel), []).append(one)
        known = self._panels.get((printer, channel), [])
        first = bisect_right(known, billed.from_us, key=_read_us)
        last = bisect_left(known, billed.until_us, key=_read_us)
        near = known[max(0, first - 1) : last + 1]
        return [await _panel_shown(self.held, one) for one in near[-PANELS_MAX:]]

    async def printers_of(self, line: BillLine) -> list[str]:
        """That gave the line's serial number around one of its own dates. The printer that gives it today is asked
        first: if it is the device's at both, no other is.
        """
        serial = serial_key(line.serial)
        ends = (line.opening, line.closing)
        today = (await self._serials()).get(serial, [])
        if len(today) == 1 and all([serial in _serials(await self.around(today[0], one)) for one in ends]):
            return today
        named = [name for name, key in self._named.items() if key == serial]
        return named or [
            name for name in self._printers if any([serial in _serials(await self.around(name, one)) for one in ends])
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


async def _panel_shown(held: Reads, panel: PanelReading) -> PanelShown:
    meter = await meter_around(held, panel.noted)
    return PanelShown(panel.figure, panel.at_us, meter.off if meter.known else None)


def _read_us(panel: PanelReading) -> int:
    return panel.at_us


def _when(billed: BilledFigure) -> BilledFigure:
    """Its date alone."""
    return BilledFigure(0, billed.from_us, billed.until_us)


async def _checked(readings: _Readings, line: BillLine) -> CheckedLine:
    printers = await readings.printers_of(line)
    if len(printers) != 1:
        return CheckedLine(line, Match.SEVERAL if printers else Match.NOBODY, tuple(printers))
    (printer,) = printers
    opening, closing = [
        beside_panel(await _end(readings, line, end, printer), await readings.panels(printer, line.channel, end))
        for end in (line.opening, line.closing)
    ]
    first, last = opening.before, closing.after
    one_run = (
        first is not None and last is not None and await _one_run(readings.held, printer, line.channel, first, last)
    )
    return joined(line, printer, opening, closing, one_run=one_run)


async def _end(readings: _Readings, line: BillLine, billed: BilledFigure, printer: str) -> CheckedFigure:
    around = await readings.around(printer, billed)
    if _serials(around) and serial_key(line.serial) not in _serials(around):
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
