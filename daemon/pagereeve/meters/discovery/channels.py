"""One channel of one printer: which instances make its count, in which unit, and what an answer says of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

from pagereeve.domain.facts.reading import COUNTER32_MODULUS, Unit
from pagereeve.domain.values.codec import FIGURE_MAX
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

# Of what wraps at no figure that is known no wrap is ever believed, and a fall is a reset. A sum of several counters
# does not: its parts wrap, each for itself. A Counter64 wraps at 2^64 (RFC 2578 section 7.1.10), which no printer lives
# to see, and which no fact could hold: 2^53 - 1 is the largest integer that JSON carries exactly (RFC 8785 appendix D,
# RFC 7493 section 2.2). To say that it wraps there instead would make a reset near it into pages.
NO_MODULUS: Final = 0
DIGITS_MAX: Final = 20

# The encodings that RFC 3805 (Counter32) and PWG 5106.3 or makers' objects (INTEGER) provide for.
_EXPECTED: Final = frozenset({COUNTER32, INTEGER})
_NUMBERS: Final = frozenset({COUNTER32, INTEGER, GAUGE32, COUNTER64})

# RFC 3805 section 6 writes other, unknown and some-remain as -1, -2 and -3; agents write them in unsigned types too.
_UNKNOWN: Final = frozenset(base - step for base in (0, 2**32, 2**64) for step in (1, 2, 3))

RestsOn = Literal["recording", "mib", "hearsay"]
"""What a channel's meaning rests on: a recorded answer whose figures prove it, the text of a MIB, or other people's
lists and templates.
"""


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
    """``terms`` are added up. ``unit`` is an instance to read, what a profile says, or None: not known.

    ``proven`` is what test pages proved of the unit, as the registry says: it counts for the channel, and hides nothing
    of what the agent says. ``inferred`` is what the printer's other counters showed of a unit that nobody says.
    ``modulus`` is where the count wraps, ``term_modulus`` where each of several terms does.
    """

    name: str
    terms: tuple[Term, ...]
    unit: bytes | Unit | None
    modulus: int = COUNTER32_MODULUS
    source: str = "Printer-MIB"
    why: str = ""
    rests_on: RestsOn = "mib"
    proven: Unit | None = None
    inferred: Unit | None = None
    term_modulus: int = COUNTER32_MODULUS

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
    """The channel's count; None where an instance is absent or unknown. Raises DecodeError.

    The parts of a sum are asked for in one request (meters/asking.py): what is there came in one answer.
    """
    total = 0
    flags: list[str] = []
    for term in channel.terms:
        value = term_value(term, channel.name, values, flags)
        if value is None:
            return None
        total += value
    if total > FIGURE_MAX:
        raise DecodeError(f"the counts of channel {channel.name} add up to {total}")
    return ChannelFigure(total, tuple(dict.fromkeys(flags)))


def term_value(term: Term, channel: str, values: Mapping[bytes, Varbind], flags: list[str]) -> int | None:
    """One instance's figure; None where it is absent, or says that it doesn't know. Raises DecodeError."""
    varbind = values.get(term.name)
    if varbind is None or varbind.absent:
        return None
    if term.record is not None:
        return record_of(octets(varbind), term.record)
    return _count(varbind, channel, flags)


def modulus_at(term: Term, channel: PinnedChannel, values: Mapping[bytes, Varbind]) -> int:
    """Where one instance wraps, as is known of its channel, or as its type says."""
    if len(channel.terms) == 1:
        return channel.modulus
    varbind = values.get(term.name)
    by_type = varbind is not None and varbind.tag == COUNTER64 and channel.term_modulus == COUNTER32_MODULUS
    return NO_MODULUS if by_type else channel.term_modulus


def says_unknown(channel: PinnedChannel, values: Mapping[bytes, Varbind]) -> bool:
    """Whether one of its instances is there and says that it doesn't know."""
    varbinds = [values.get(term.name) for term in channel.terms if term.record is None]
    return any(one is not None and _is_unknown(one) for one in varbinds)


def _is_unknown(varbind: Varbind) -> bool:
    try:
        return varbind.tag in _NUMBERS and number(varbind) in _UNKNOWN
    except DecodeError:
        return False


def _count(varbind: Varbind, channel: str, flags: list[str]) -> int | None:
    if varbind.tag == OCTET_STRING:
        flags.append("text")
        return _digits(varbind, channel)
    if varbind.tag not in _NUMBERS:
        raise DecodeError(f"the count of channel {channel} is a {tag_name(varbind.tag)}, at {oid_label(varbind.oid)}")
    value = number(varbind)
    if value in _UNKNOWN:
        return None
    if not 0 <= value <= FIGURE_MAX:
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
    value = int(text)
    if value > FIGURE_MAX:
        raise DecodeError(f"the count of channel {channel} is {value}, at {oid_label(varbind.oid)}")
    return value


def names_of(channels: Iterable[PinnedChannel]) -> tuple[bytes, ...]:
    """Every instance that the channels need, counts before units, each once."""
    counts = [term.name for channel in channels for term in channel.terms]
    units = [channel.unit for channel in channels if isinstance(channel.unit, bytes)]
    return tuple(dict.fromkeys((*counts, *units)))
