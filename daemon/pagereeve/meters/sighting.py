"""From the values of one answer to what it showed: counts with their units, identity, state."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

from pagereeve.domain.facts.reading import Count, PrinterState, Sight, SilenceReason, decode_error_bits
from pagereeve.meters.discovery.channels import PinnedChannel, figure_of
from pagereeve.meters.discovery.consistency import ShownCount, check
from pagereeve.meters.discovery.objects import SYS_OBJECT_ID, Pins
from pagereeve.meters.discovery.text import printable
from pagereeve.meters.discovery.units import unit_in, unit_label
from pagereeve.meters.snmp.ber import DecodeError, Varbind, conforms, number, object_id, octets
from pagereeve.meters.snmp.question import ReadEnded
from pagereeve.meters.snmp.stats import MeterStats

SERIAL_CHARS_MAX = 255
ERROR_OCTETS_MAX = 8
# What a ticket can be held against.
COMPARABLE: Final = ("total", "sheets")

# hrPrinterStatus, RFC 2790 section 4.
_STATES: Final = {
    1: PrinterState.OTHER,
    2: PrinterState.UNKNOWN,
    3: PrinterState.IDLE,
    4: PrinterState.PRINTING,
    5: PrinterState.WARMUP,
}


class MeterSighting:
    """One answer at one printer's pins. A value of a wrong type spoils only itself, unless it is the total.

    ``contradicted``: a part was left out because it contradicts the total.
    """

    def __init__(self, pins: Pins, values: dict[bytes, Varbind], responder: str, stats: MeterStats) -> None:
        self._pins = pins
        self._values = values
        self._responder = responder
        self._stats = stats
        self.contradicted = False
        self.object_id = self._object_id()
        self.serial = printable(self._text(pins.serial))[:SERIAL_CHARS_MAX]

    @property
    def foreign(self) -> bool:
        """Whether nothing in it speaks of a printer."""
        return all(self._present(name) is None for name in self._pins.printer_names)

    def _object_id(self) -> str:
        value = self._present(SYS_OBJECT_ID)
        try:
            return object_id(value) if value else ""
        except DecodeError:
            self._stats.undecodable += 1
            return ""

    @property
    def power_on(self) -> int | None:
        figure = self._figure(self._pins.power_on)
        return figure if figure is None or figure >= 0 else None

    def sight(self) -> Sight:
        """All that a plateau keeps. Raises ReadEnded where no count can be compared with pages, DecodeError where the
        total is no number. A part of the total that is no number, or contradicts it, is left out.
        """
        counts = {channel.name: count for channel in self._pins.channels if (count := self._count(channel))}
        if not any(name in counts for name in COMPARABLE):
            raise self._no_count()
        for name in self._contradictions(counts):
            del counts[name]
        return Sight(
            counts=tuple(sorted(counts.items())),
            serial=self.serial,
            object_id=self.object_id,
            state=self._state(),
            errors=_error_names(self._text(self._pins.errors)[:ERROR_OCTETS_MAX]),
            responder=self._responder,
        )

    def _count(self, channel: PinnedChannel) -> Count | None:
        try:
            figure = figure_of(channel, self._values)
        except DecodeError:
            if channel.name in COMPARABLE:
                raise
            self._stats.undecodable += 1
            return None
        unit = unit_in(channel.unit, self._values)
        if figure is None or unit is None:
            return None
        if figure.flags:
            self._stats.non_conforming += 1
        return Count(figure.value, unit, channel.modulus, channel.counter)

    def _contradictions(self, counts: dict[str, Count]) -> set[str]:
        sources = {channel.name: channel.source for channel in self._pins.channels}
        shown = {name: ShownCount(count.value, count.unit, sources[name]) for name, count in counts.items()}
        blamed = {name for verdict in check(shown) for name in verdict.culprits if name not in COMPARABLE}
        if blamed:
            self.contradicted = True
            self._stats.contradictions += 1
        return blamed

    def _no_count(self) -> ReadEnded:
        counted = [channel for channel in self._pins.channels if self._answered(channel)]
        if not counted:
            text = f"{self._responder} no longer has a count where it had one; the next read searches for it again"
            return ReadEnded(SilenceReason.NO_METER, text, self._responder)
        units = ", ".join(f"{channel.name}: unit {unit_label(channel.unit, self._values)}" for channel in counted)
        text = (
            f"{self._responder} has no count that can be compared with pages ({units}); "
            "impressions(7) or sheets(8) is needed, or a unit that a test print has proved (pagereeve prove)"
        )
        return ReadEnded(SilenceReason.UNIT_NOT_USABLE, text, self._responder)

    def _answered(self, channel: PinnedChannel) -> bool:
        return all(self._present(term.name) is not None for term in channel.terms)

    def _state(self) -> PrinterState:
        figure = self._figure(self._pins.status)
        return PrinterState.ABSENT if figure is None else _STATES.get(figure, PrinterState.UNKNOWN)

    def _present(self, name: bytes) -> Varbind | None:
        varbind = self._values.get(name)
        return None if varbind is None or varbind.absent else varbind

    def _figure(self, name: bytes) -> int | None:
        return figure(self._values.get(name), self._stats)

    def _text(self, name: bytes) -> bytes:
        varbind = self._present(name)
        try:
            return octets(varbind) if varbind else b""
        except DecodeError:
            self._stats.undecodable += 1
            return b""


def figure(varbind: Varbind | None, stats: MeterStats) -> int | None:
    """The number of a varbind, None where there is none; a value of a wrong type is counted."""
    if varbind is None or varbind.absent:
        return None
    try:
        return _number(varbind, stats)
    except DecodeError:
        stats.undecodable += 1
        return None


def _number(varbind: Varbind, stats: MeterStats) -> int:
    value = number(varbind)
    if not conforms(varbind):
        stats.non_conforming += 1
    return value


_error_names = lru_cache(maxsize=256)(decode_error_bits)
