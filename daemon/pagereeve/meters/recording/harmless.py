"""Which texts of an agent name nobody: by object (RFC 2790, RFC 3805, a profile), or as words of a closed set."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from pagereeve.meters.discovery.profile import Profile, Profiles
from pagereeve.meters.snmp.ber import oid_bytes

# Bits and colours: octets that no administrator, owner or factory writes a name or a number into.
OBJECTS: Final = {
    "1.3.6.1.2.1.25.3.5.1.2": "hrPrinterDetectedErrorState: bits (RFC 2790 section 4)",
}
# prtMarkerColorantValue (RFC 3805 section 6): names of colours, where they are of these.
COLORANT: Final = oid_bytes("1.3.6.1.2.1.43.12.1.1.4")
COLOURS: Final = frozenset(
    {b"other", b"unknown", b"white", b"red", b"green", b"blue", b"cyan", b"magenta", b"yellow", b"black", b"none"}
)


@dataclass(frozen=True, slots=True)
class Harmless:
    """``objects`` are columns or instances whose octets are kept, ``words`` texts that are kept in a column."""

    objects: tuple[bytes, ...]
    words: tuple[tuple[bytes, frozenset[bytes]], ...]
    digits: tuple[bytes, ...]

    @classmethod
    def by(cls, profiles: Profiles) -> Harmless:
        channels = [channel for profile in profiles for channel in profile.channels]
        records = [channel.records.object for channel in channels if channel.records is not None]
        counts = [place for channel in channels for place in channel.objects]
        counts += [channel.rows.values for channel in channels if channel.rows is not None]
        return cls(
            objects=tuple(oid_bytes(one) for one in (*OBJECTS, *records)),
            words=((COLORANT, COLOURS), *_labels(profiles)),
            digits=tuple(oid_bytes(one) for one in counts),
        )

    def keeps(self, name: bytes, content: bytes) -> bool:
        """Whether the octets of that object may stand in a recording as they are."""
        if not content or _below(name, self.objects):
            return True
        if _below(name, self.digits) and content.isdigit():
            # A count that is written as text.
            return True
        return any(name.startswith(column) and content.strip(b" \0") in words for column, words in self.words)


def _labels(profiles: Iterable[Profile]) -> list[tuple[bytes, frozenset[bytes]]]:
    """Names of rows that a profile finds its counters by."""
    rows = [channel.rows for profile in profiles for channel in profile.channels if channel.rows is not None]
    return [
        (oid_bytes(one.labels), frozenset(str(word).encode() for word in one.called if isinstance(word, str)))
        for one in rows
        if one.labels is not None
    ]


def _below(name: bytes, places: Iterable[bytes]) -> bool:
    return any(name.startswith(place) for place in places)
