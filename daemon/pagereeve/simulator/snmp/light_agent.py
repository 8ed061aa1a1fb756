"""A small SNMP v1/v2c agent that answers from encoded rows: for fleets of thousands, where pysnmp costs too much."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from typing import Final

from pagereeve.simulator.snmp.mib import Kind, Oid, Row

SEQUENCE: Final = 0x30
INTEGER: Final = 0x02
OCTETS: Final = 0x04
OID: Final = 0x06
GET, GETNEXT, RESPONSE = 0xA0, 0xA1, 0xA2
TAGS: Final[dict[Kind, int]] = {
    "octets": OCTETS,
    "integer": INTEGER,
    "counter": 0x41,
    "ticks": 0x43,
    "oid": OID,
    "address": 0x40,
    "gauge": 0x42,
    "counter64": 0x46,
}
KINDS: Final = {tag: kind for kind, tag in TAGS.items()}
NO_SUCH_INSTANCE: Final = b"\x81\x00"
END_OF_MIB_VIEW: Final = b"\x82\x00"
NULL: Final = b"\x05\x00"
NO_SUCH_NAME: Final = 2
VARBINDS_MAX: Final = 128


def tlv(tag: int, content: bytes) -> bytes:
    """One element with its shortest length (X.690 section 8.1.3)."""
    size = len(content)
    if size < 0x80:
        return bytes((tag, size)) + content
    length = size.to_bytes((size.bit_length() + 7) // 8, "big")
    return bytes((tag, 0x80 | len(length))) + length + content


def integer(value: int, tag: int = INTEGER) -> bytes:
    return tlv(tag, value.to_bytes(value.bit_length() // 8 + 1, "big", signed=True))


def oid_content(oid: Oid) -> bytes:
    octets = bytearray()
    for arc in (oid[0] * 40 + oid[1], *oid[2:]):
        groups = [arc & 0x7F]
        while arc := arc >> 7:
            groups.append(0x80 | arc & 0x7F)
        octets += bytes(reversed(groups))
    return bytes(octets)


def oid_of(content: bytes) -> Oid:
    """The inverse. Raises ValueError for an identifier that is cut off."""
    arcs, arc = [], 0
    for octet in content:
        arc = arc << 7 | octet & 0x7F
        if octet < 0x80:
            arcs.append(arc)
            arc = 0
    if not content or content[-1] >= 0x80:
        raise ValueError("an object identifier ends within an arc")
    first = min(arcs[0] // 40, 2)
    return (first, arcs[0] - first * 40, *arcs[1:])


def encoded(row: Row) -> bytes:
    """A row's value as it goes into a varbind."""
    tag = TAGS[row.kind]
    if isinstance(row.value, int):
        return integer(row.value, tag)
    return tlv(tag, row.value if isinstance(row.value, bytes) else oid_content(row.value))


def element(data: bytes, at: int, tag: int | None = None) -> tuple[int, int, int]:
    """(tag, start, end) of the element at ``at``. Raises ValueError where it is cut off or of another tag."""
    if at + 2 > len(data):
        raise ValueError("an element is cut off")
    found, size, start = data[at], data[at + 1], at + 2
    if size & 0x80:
        octets = size & 0x7F
        size, start = int.from_bytes(data[start : start + octets], "big"), start + octets
    if start + size > len(data) or (tag is not None and found != tag):
        raise ValueError("an element is cut off or of another kind")
    return found, start, start + size


class LightAgent:
    """Answers GET and GETNEXT of one community from rows that ``put`` replaces one by one."""

    def __init__(self, community: str, rows: Iterable[Row]) -> None:
        self._community = community.encode()
        ordered = sorted(rows, key=lambda row: row.oid)
        self._names = [row.oid for row in ordered]
        self._contents = [oid_content(row.oid) for row in ordered]
        self._values = {oid_content(row.oid): encoded(row) for row in ordered}
        self.answers = self.refused = 0

    def put(self, row: Row) -> None:
        """Replace the value of a row that is there. Raises KeyError for another."""
        name = oid_content(row.oid)
        if name not in self._values:
            raise KeyError(f"the agent has no row {row.oid}")
        self._values[name] = encoded(row)

    def answer(self, datagram: bytes) -> bytes | None:
        try:
            return self._answer(datagram)
        except ValueError:
            self.refused += 1
            return None

    def _answer(self, datagram: bytes) -> bytes | None:
        _, at, _ = element(datagram, 0, SEQUENCE)
        _, start, end = element(datagram, at, INTEGER)
        version, header_at = datagram[start:end], end
        _, start, header_end = element(datagram, header_at, OCTETS)
        kind, at, _ = element(datagram, header_end)
        if datagram[start:header_end] != self._community or version not in {b"\x00", b"\x01"}:
            raise ValueError("another community or version")
        if kind not in {GET, GETNEXT}:
            raise ValueError("neither GET nor GETNEXT")
        _, _, id_end = element(datagram, at, INTEGER)
        request_id = datagram[at:id_end]
        _, _, at = element(datagram, id_end, INTEGER)
        _, _, at = element(datagram, at, INTEGER)
        names = _names(datagram, at)
        found = [self._get(name) if kind == GET else self._after(name) for name in names]
        status, index = 0, 0
        if version == b"\x00" and (missing := [n for n, (_, value) in enumerate(found) if value[0] & 0x80]):
            status, index = NO_SUCH_NAME, missing[0] + 1
            found = [(name, NULL) for name in names]
        bindings = b"".join(tlv(SEQUENCE, tlv(OID, name) + value) for name, value in found)
        pdu = tlv(RESPONSE, request_id + integer(status) + integer(index) + tlv(SEQUENCE, bindings))
        self.answers += 1
        return tlv(SEQUENCE, integer(version[0]) + datagram[header_at:header_end] + pdu)

    def _get(self, name: bytes) -> tuple[bytes, bytes]:
        return name, self._values.get(name, NO_SUCH_INSTANCE)

    def _after(self, name: bytes) -> tuple[bytes, bytes]:
        place = bisect_right(self._names, oid_of(name))
        if place >= len(self._names):
            return name, END_OF_MIB_VIEW
        content = self._contents[place]
        return content, self._values[content]


def _names(datagram: bytes, at: int) -> list[bytes]:
    _, at, list_end = element(datagram, at, SEQUENCE)
    names: list[bytes] = []
    while at < list_end:
        _, binding, at = element(datagram, at, SEQUENCE)
        _, start, end = element(datagram, binding, OID)
        names.append(datagram[start:end])
        if len(names) > VARBINDS_MAX:
            raise ValueError(f"more than {VARBINDS_MAX} varbinds")
    return names
