"""One channel of one printer: which instances make its count, in which unit, and what an answer says of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple

from pagereeve.domain.facts.reading import COUNTER32_MODULUS, Unit
from pagereeve.meters.discovery.records import record_of
from pagereeve.meters.snmp.ber import (
    COUNTER32,
    COUNTER64,
    GAUGE32,
    INTEGER,
    OCTET_STRING,
    DecodeError,
    Varbind,
    conforms,
    number,
    octets,
    oid_label,
    tag_name,
)

# A sum of several counters wraps at no one figure, so no wrap of it is ever believed.
NO_MODULUS: Final = 0
DIGITS_MAX: Final = 20

# The encodings that RFC 3805 (Counter32) and PWG 5106.3 or makers' objects (INTEGER) provide for.
_EXPECTED: Final = frozenset({COUNTER32, INTEGER})
_NUMBERS: Final = frozenset({COUNTER32, INTEGER, GAUGE32, COUNTER64})


class Term(NamedTuple):
    """One instance of a channel; ``record`` picks a record of an octet string that holds several figures."""

    name: bytes
    record: int | None = None

    @property
    def label(self) -> str:
        dotted = oid_label(self.name)
        return dotted if self.record is None else f"{dotted}#{self.record:02x}"


@dataclass(frozen=True, slots=True)
class PinnedChannel:
    """``terms`` are added up. ``unit`` is an instance to read, what a profile or a proof says, or None: not known."""

    name: str
    terms: tuple[Term, ...]
    unit: bytes | Unit | None
    modulus: int = COUNTER32_MODULUS
    source: str = "Printer-MIB"
    why: str = ""

    @property
    def objects(self) -> tuple[str, ...]:
        return tuple(term.label for term in self.terms)

    @property
    def counter(self) -> str:
        """What names the counter in a reading; the same for a sum that gains a row."""
        return self.terms[0].label if len(self.terms) == 1 else f"{self.source} {self.name}"


class ChannelFigure(NamedTuple):
    """``flags`` name what is odd about the encoding: ``non-conforming``, ``type`` or ``text``."""

    value: int
    flags: tuple[str, ...] = ()


def figure_of(channel: PinnedChannel, values: Mapping[bytes, Varbind]) -> ChannelFigure | None:
    """The channel's count in an answer; None where one of its instances is absent. Raises DecodeError."""
    total = 0
    flags: list[str] = []
    for term in channel.terms:
        varbind = values.get(term.name)
        if varbind is None or varbind.absent:
            return None
        if term.record is not None:
            value = record_of(octets(varbind), term.record)
            if value is None:
                return None
        else:
            value = _count(varbind, channel.name, flags)
        total += value
    return ChannelFigure(total, tuple(dict.fromkeys(flags)))


def _count(varbind: Varbind, channel: str, flags: list[str]) -> int:
    if varbind.tag == OCTET_STRING:
        flags.append("text")
        return _digits(varbind, channel)
    if varbind.tag not in _NUMBERS:
        raise DecodeError(f"the count of channel {channel} is a {tag_name(varbind.tag)}, at {oid_label(varbind.oid)}")
    value = number(varbind)
    if value < 0:
        raise DecodeError(f"the count of channel {channel} is {value}, at {oid_label(varbind.oid)}")
    if not conforms(varbind):
        flags.append("non-conforming")
    if varbind.tag not in _EXPECTED:
        flags.append("type")
    return value


def _digits(varbind: Varbind, channel: str) -> int:
    """A number written as text: digits alone, nothing stripped from it (netdata/netdata#1236)."""
    text = varbind.content
    if not (1 <= len(text) <= DIGITS_MAX and text.isdigit()):
        where = oid_label(varbind.oid)
        raise DecodeError(f"the count of channel {channel} is text that is more than digits, at {where}")
    return int(text)


def names_of(channels: Iterable[PinnedChannel]) -> tuple[bytes, ...]:
    """Every instance that the channels need, counts before units, each once."""
    counts = [term.name for channel in channels for term in channel.terms]
    units = [channel.unit for channel in channels if isinstance(channel.unit, bytes)]
    return tuple(dict.fromkeys((*counts, *units)))
