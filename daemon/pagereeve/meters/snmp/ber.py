"""BER of exactly what SNMP needs (ITU-T X.690; RFC 3416 section 3; RFC 2578 section 7): bytes and values, both ways.

Nothing but DecodeError is raised for malformed input, whatever it is.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final, NamedTuple

from pagereeve.domain.values.errors import PagereeveError

INTEGER: Final = 0x02
OCTET_STRING: Final = 0x04
NULL: Final = 0x05
OBJECT_ID: Final = 0x06
SEQUENCE: Final = 0x30
IP_ADDRESS: Final = 0x40
COUNTER32: Final = 0x41
GAUGE32: Final = 0x42
TIME_TICKS: Final = 0x43
COUNTER64: Final = 0x46
NO_SUCH_OBJECT: Final = 0x80
NO_SUCH_INSTANCE: Final = 0x81
END_OF_MIB_VIEW: Final = 0x82

ABSENT_TAGS: Final = frozenset({NULL, NO_SUCH_OBJECT, NO_SUCH_INSTANCE, END_OF_MIB_VIEW})
UNSIGNED_BYTES: Final = {COUNTER32: 4, GAUGE32: 4, TIME_TICKS: 4, COUNTER64: 8}

INTEGER_BYTES_MAX = 8
OID_ARCS_MAX = 128
OID_BYTES_MAX = OID_ARCS_MAX * 5
ARC_MAX = 2**32 - 1


class DecodeError(PagereeveError):
    """An answer that can't be read; the text says where it breaks."""


class Varbind(NamedTuple):
    """One named value of a message, still encoded: ``oid`` and ``content`` without tag and length."""

    oid: bytes
    tag: int
    content: bytes

    @property
    def absent(self) -> bool:
        """NULL and the three exceptions of RFC 3416 section 3 say that there is no value; none of them is a zero."""
        return self.tag in ABSENT_TAGS


def read_tlv(data: bytes, position: int, end: int) -> tuple[int, int, int]:
    """Tag, start and end of the content at ``position``; all within ``end``. Raises DecodeError."""
    start = position + 2
    if start > end:
        raise DecodeError(f"truncated at byte {position}: {end - position} byte(s) left for a tag and a length")
    size = data[position + 1]
    if size >= 0x80:
        size, start = _long_length(data, start, end, size & 0x7F)
    stop = start + size
    if stop > end:
        raise DecodeError(f"length {size} at byte {position + 1} reaches past the end, byte {end}")
    return data[position], start, stop


def _long_length(data: bytes, start: int, end: int, octets: int) -> tuple[int, int]:
    """X.690 section 8.1.3.5. More octets than needed are legal BER and some agents write them."""
    if not 1 <= octets <= 4:
        raise DecodeError(f"length in {octets} octets before byte {start}; 1 to 4 are accepted")
    if start + octets > end:
        raise DecodeError(f"truncated inside a length before byte {start}")
    return int.from_bytes(data[start : start + octets], "big"), start + octets


def tlv(tag: int, content: bytes) -> bytes:
    """``content`` behind its tag and a length of the shortest form."""
    size = len(content)
    if size < 0x80:
        return bytes((tag, size)) + content
    octets = size.to_bytes((size.bit_length() + 7) // 8, "big")
    return bytes((tag, 0x80 | len(octets))) + octets + content


def integer(value: int) -> bytes:
    """An INTEGER with its tag and length, of the shortest form (X.690 section 8.3)."""
    bits = (value if value >= 0 else ~value).bit_length()
    return tlv(INTEGER, value.to_bytes(bits // 8 + 1, "big", signed=True))


def number(varbind: Varbind) -> int:
    """The integer of a varbind of any of SNMP's five number types. Raises DecodeError.

    Application types are unsigned by their tag, so an agent that leaves the leading zero octet out still means the
    value that it counted.
    """
    tag, content = varbind.tag, varbind.content
    width = UNSIGNED_BYTES.get(tag)
    if width is None:
        if tag != INTEGER:
            raise DecodeError(f"{tag_name(tag)} where a number belongs, at {oid_label(varbind.oid)}")
        if not 1 <= len(content) <= INTEGER_BYTES_MAX:
            raise DecodeError(f"an INTEGER of {len(content)} octets at {oid_label(varbind.oid)}")
        return int.from_bytes(content, "big", signed=True)
    value = int.from_bytes(content, "big")
    if not 1 <= len(content) <= width + 1 or value >> (8 * width):
        raise DecodeError(f"{tag_name(tag)} of {len(content)} octets at {oid_label(varbind.oid)} is out of its range")
    return value


def number_or_none(varbind: Varbind | None) -> int | None:
    """An integer of any sort; None where there is none, or none that can be read."""
    if varbind is None or varbind.absent:
        return None
    try:
        return number(varbind)
    except DecodeError:
        return None


def conforms(varbind: Varbind) -> bool:
    """Whether a number is encoded as X.690 section 8.3 says: shortest form, and unsigned types not negative."""
    content = varbind.content
    if varbind.tag in UNSIGNED_BYTES and content[0] & 0x80:
        return False
    if len(content) < 2:
        return True
    return not ((content[0] == 0 and not content[1] & 0x80) or (content[0] == 0xFF and bool(content[1] & 0x80)))


def octets(varbind: Varbind) -> bytes:
    """The octets of an OCTET STRING. Raises DecodeError."""
    if varbind.tag != OCTET_STRING:
        raise DecodeError(f"{tag_name(varbind.tag)} where text belongs, at {oid_label(varbind.oid)}")
    return varbind.content


def object_id(varbind: Varbind) -> str:
    """The dotted form of an OBJECT IDENTIFIER value. Raises DecodeError."""
    if varbind.tag != OBJECT_ID:
        raise DecodeError(f"{tag_name(varbind.tag)} where an object id belongs, at {oid_label(varbind.oid)}")
    return _dotted(varbind.content)


@lru_cache(maxsize=1024)
def _dotted(content: bytes) -> str:
    return ".".join(map(str, oid_arcs(content)))


def oid_bytes(text: str) -> bytes:
    """Encoded arcs of a dotted OID (X.690 section 8.19). Raises ValueError: OIDs to send are ours."""
    arcs = [int(part) for part in text.strip(".").split(".")]
    if not 2 <= len(arcs) <= OID_ARCS_MAX or arcs[0] > 2 or (arcs[0] < 2 and arcs[1] > 39) or min(arcs) < 0:
        raise ValueError(f"{text!r} is no object id")
    return b"".join(_arc_bytes(arc) for arc in (arcs[0] * 40 + arcs[1], *arcs[2:]))


def _arc_bytes(arc: int) -> bytes:
    if arc > ARC_MAX:
        raise ValueError(f"arc {arc} is beyond 2^32 - 1")
    encoded = bytearray((arc & 0x7F,))
    while arc := arc >> 7:
        encoded.append(0x80 | arc & 0x7F)
    return bytes(reversed(encoded))


def oid_arcs(content: bytes) -> tuple[int, ...]:
    """Arcs of an encoded OID. Raises DecodeError."""
    if not 1 <= len(content) <= OID_BYTES_MAX or content[-1] & 0x80:
        raise DecodeError(f"an object id of {len(content)} octets is empty, too long or cut off")
    arcs: list[int] = []
    arc = 0
    for octet in content:
        arc = arc << 7 | octet & 0x7F
        if arc > ARC_MAX + 80:
            raise DecodeError("an arc of an object id is beyond 2^32 - 1")
        if not octet & 0x80:
            arcs.append(arc)
            arc = 0
    if len(arcs) > OID_ARCS_MAX - 1 or max(arcs[1:], default=0) > ARC_MAX:
        raise DecodeError(f"an object id of {len(arcs) + 1} arcs or with an arc beyond 2^32 - 1")
    head = min(arcs[0] // 40, 2)
    return (head, arcs[0] - 40 * head, *arcs[1:])


def oid_label(content: bytes) -> str:
    """The dotted form for a message, whatever the octets are."""
    try:
        return _dotted(content)
    except DecodeError:
        return f"0x{content[:32].hex()}"


def tag_name(tag: int) -> str:
    return _TAG_NAMES.get(tag, f"tag 0x{tag:02x}")


_TAG_NAMES: Final = {
    INTEGER: "INTEGER",
    OCTET_STRING: "OCTET STRING",
    NULL: "NULL",
    OBJECT_ID: "OBJECT IDENTIFIER",
    IP_ADDRESS: "IpAddress",
    COUNTER32: "Counter32",
    GAUGE32: "Gauge32",
    TIME_TICKS: "TimeTicks",
    COUNTER64: "Counter64",
    NO_SUCH_OBJECT: "noSuchObject",
    NO_SUCH_INSTANCE: "noSuchInstance",
    END_OF_MIB_VIEW: "endOfMibView",
}
