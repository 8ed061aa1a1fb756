"""From the values of one answer to what it showed: counts with their units, identity, state."""

from __future__ import annotations

from functools import lru_cache
from itertools import islice
from typing import Final

from pagereeve.domain.facts.reading import Count, Counter, PrinterState, Sight, SilenceReason, Unit, decode_error_bits
from pagereeve.domain.facts.reading_codec import COUNTERS_MAX
from pagereeve.meters.discovery.channels import PinnedChannel, Term, figure_of, modulus_at, says_unknown, term_value
from pagereeve.meters.discovery.consistency import ShownCount, check
from pagereeve.meters.discovery.objects import SYS_OBJECT_ID, Pins
from pagereeve.meters.discovery.refusing import no_pages, not_known_now
from pagereeve.meters.discovery.serials import names_nobody
from pagereeve.meters.discovery.text import printable
from pagereeve.meters.discovery.units import unit_known, unit_label, unit_said
from pagereeve.meters.snmp.ber import DecodeError, Varbind, conforms, number, object_id, octets
from pagereeve.meters.snmp.question import ReadEnded
from pagereeve.meters.snmp.stats import MeterStats

SERIAL_CHARS_MAX = 255
ERROR_OCTETS_MAX = 8
# What a ticket can be held against.
COMPARABLE: Final = ("total", "sheets", "prints")
# What other channels are held against.
_WHOLE: Final = ("total", "sheets")
# Of these a count is kept whatever its unit; a part of unknown unit is a witness alone.
_BILLED: Final = ("total", "prints")

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

    ``contradicted``: a part was left out because it contradicts the total. A serial number that many devices share
    names none: it is left out.
    """

    def __init__(self, pins: Pins, values: dict[bytes, Varbind], responder: str, stats: MeterStats) -> None:
        self._pins = pins
        self._values = values
        self._responder = responder
        self._stats = stats
        self.contradicted = False
        self.object_id = self._object_id()
        said = printable(self._text(pins.serial))[:SERIAL_CHARS_MAX]
        self.serial = "" if names_nobody(said) else said

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
        prints = counts.get("prints")
        if prints is not None and prints.unit is Unit.UNKNOWN and "total" in counts:
            del counts["prints"]
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
            counters=self._counters(),
            description=self._pins.description,
        )

    def _counters(self) -> tuple[Counter, ...]:
        """Every object that counts, by its name; one that is part of two channels is there for each."""
        found: dict[tuple[str, str], Counter] = {}
        for channel in (*self._pins.channels, *self._pins.witnesses):
            word = unit_said(channel, self._values)
            if not word.pages:
                continue
            part = len(channel.terms) > 1
            for term in channel.terms:
                value = self._term(term, channel.name)
                if value is not None:
                    modulus = modulus_at(term, channel, self._values)
                    counter = Counter(
                        term.label, value, channel.name, channel.source, word.unit, word.grade, modulus, part
                    )
                    found.setdefault((counter.object, counter.channel), counter)
        if len(found) == 1:
            return tuple(found.values())
        kept = dict(islice(found.items(), COUNTERS_MAX))
        return tuple(kept[key] for key in sorted(kept))

    def _term(self, term: Term, channel: str) -> int | None:
        try:
            return term_value(term, channel, self._values, [])
        except DecodeError:
            # A billed one was counted when its channel was; a witness that is no number is no witness.
            return None

    def _count(self, channel: PinnedChannel) -> Count | None:
        try:
            figure = figure_of(channel, self._values)
        except DecodeError:
            if channel.name in _WHOLE:
                raise
            self._stats.undecodable += 1
            return None
        known = unit_known(channel, self._values)
        if figure is None or not known.pages or (known.unit is Unit.UNKNOWN and channel.name not in _BILLED):
            return None
        if figure.flags:
            self._stats.non_conforming += 1
        return Count(figure.value, known.unit, channel.modulus, channel.counter, known.grade)

    def _contradictions(self, counts: dict[str, Count]) -> set[str]:
        sources = {channel.name: channel.source for channel in self._pins.channels}
        shown = {
            name: ShownCount(count.value, None if count.unit is Unit.UNKNOWN else count.unit, sources[name])
            for name, count in counts.items()
        }
        blamed = {name for verdict in check(shown) for name in verdict.culprits if name not in _WHOLE}
        if blamed:
            self.contradicted = True
            self._stats.contradictions += 1
        return blamed

    def _no_count(self) -> ReadEnded:
        channels = self._pins.channels
        counted = [channel for channel in channels if self._answered(channel)]
        asleep = [channel for channel in channels if says_unknown(channel, self._values)]
        if asleep:
            return ReadEnded(SilenceReason.ASLEEP, not_known_now(self._responder, asleep), self._responder)
        if not counted or all(unit_known(channel, self._values).pages for channel in counted):
            text = f"{self._responder} no longer has a count where it had one; the next read searches for it again"
            return ReadEnded(SilenceReason.NO_METER, text, self._responder)
        units = ", ".join(f"{channel.name}: unit {unit_label(channel, self._values)}" for channel in counted)
        return ReadEnded(SilenceReason.UNIT_NOT_USABLE, no_pages(self._responder, units), self._responder)

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
