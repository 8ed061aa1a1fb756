"""From the values of one answer to what it showed: counts with their units, identity, state."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

from pagereeve.domain.reading import Count, PrinterState, Sight, SilenceReason, decode_error_bits
from pagereeve.meters.ber import COUNTER32, INTEGER, DecodeError, Varbind, conforms, number, object_id, octets, tag_name
from pagereeve.meters.conversation import ReadEnded
from pagereeve.meters.objects import SYS_OBJECT_ID, UNIT_NAMES, USABLE_UNITS, PinnedChannel, Pins
from pagereeve.meters.stats import MeterStats

SERIAL_CHARS_MAX = 255
ERROR_OCTETS_MAX = 8

# hrPrinterStatus, RFC 2790 section 4.
_STATES: Final = {
    1: PrinterState.OTHER,
    2: PrinterState.UNKNOWN,
    3: PrinterState.IDLE,
    4: PrinterState.PRINTING,
    5: PrinterState.WARMUP,
}


class Sighting:
    """One answer at one printer's pins. A value of a wrong type spoils only itself, unless it is the count."""

    def __init__(self, pins: Pins, values: dict[bytes, Varbind], responder: str, stats: MeterStats) -> None:
        self._pins = pins
        self._values = values
        self._responder = responder
        self._stats = stats
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
        """All that a plateau keeps. Raises ReadEnded where no channel is usable, DecodeError where a count is none."""
        counts = {channel.name: count for channel in self._pins.channels if (count := self._count(channel))}
        if not counts:
            raise self._no_count()
        return Sight(
            counts=tuple(sorted(counts.items())),
            serial=self.serial,
            object_id=self.object_id,
            state=self._state(),
            errors=_error_names(self._text(self._pins.errors)[:ERROR_OCTETS_MAX]),
        )

    def _count(self, channel: PinnedChannel) -> Count | None:
        varbind = self._present(channel.count)
        unit = (
            channel.unit if not isinstance(channel.unit, bytes) else USABLE_UNITS.get(self._figure(channel.unit) or 0)
        )
        if varbind is None or unit is None:
            return None
        if varbind.tag not in {COUNTER32, INTEGER}:
            raise DecodeError(f"the count of channel {channel.name} is a {tag_name(varbind.tag)}")
        value = _number(varbind, self._stats)
        if value < 0:
            raise DecodeError(f"the count of channel {channel.name} is {value}")
        return Count(value, unit)

    def _no_count(self) -> ReadEnded:
        counted = [channel for channel in self._pins.channels if self._present(channel.count) is not None]
        if not counted:
            where = f"device {self._pins.device}, marker {self._pins.marker}"
            text = f"{self._responder} has no count any more at {where}; it is looked up anew at the next read"
            return ReadEnded(SilenceReason.NO_METER, text, self._responder)
        units = ", ".join(f"{channel.name}: {self._unit_label(channel)}" for channel in counted)
        text = f"{self._responder} does not count pages ({units}); only impressions(7) and sheets(8) can be compared"
        return ReadEnded(SilenceReason.UNIT_NOT_USABLE, text, self._responder)

    def _unit_label(self, channel: PinnedChannel) -> str:
        if not isinstance(channel.unit, bytes):
            return channel.unit.value
        figure = self._figure(channel.unit)
        return "unit missing" if figure is None else f"unit {UNIT_NAMES.get(figure, 'undefined')}({figure})"

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


@lru_cache(maxsize=1024)
def printable(raw: bytes) -> str:
    """Text of an agent's octets: UTF-8 if it is that, else Latin-1; without control characters, NULs, outer spaces."""
    try:
        text = raw.decode()
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    return "".join(character for character in text if character.isprintable()).strip()
