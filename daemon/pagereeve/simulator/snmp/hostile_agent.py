"""An SNMP agent of any version with a bad habit: it finds the right answer, spoils it and sends it."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from typing import Final, NamedTuple

from pagereeve.simulator.snmp.agent import Address, DatagramDoor
from pagereeve.simulator.snmp.bad_habits import Asked, Change, Reply
from pagereeve.simulator.snmp.light_agent import (
    END_OF_MIB_VIEW,
    GET,
    GETNEXT,
    INTEGER,
    NO_SUCH_INSTANCE,
    NO_SUCH_NAME,
    NULL,
    OCTETS,
    OID,
    RESPONSE,
    SEQUENCE,
    element,
    encoded,
    integer,
    oid_content,
    oid_of,
    tlv,
)
from pagereeve.simulator.snmp.mib import Oid, Row

VERSION_3: Final = 3
REPORT: Final = 0xA8
ENGINE_ID: Final = b"\x80\x00\x1f\x88\x80hostile"
UNKNOWN_ENGINES: Final = oid_content((1, 3, 6, 1, 6, 3, 15, 1, 1, 4, 0))
COUNTER_1: Final = b"\x41\x01\x01"


class _Message(NamedTuple):
    """A request, and what its answer must repeat. ``discovery``: of SNMPv3, to an engine that is not known yet."""

    version: int
    kind: int
    request_id: bytes
    names: tuple[bytes, ...]
    head: bytes
    user: bytes = b""
    discovery: bool = False


class HostileAgent(DatagramDoor):
    """``rows`` are its objects: ``values`` holds them encoded, to be changed or taken away.

    ``change`` spoils answers to PDUs of ``kinds``. SNMPv3 is noAuthNoPriv, for any user.
    """

    def __init__(self, rows: Iterable[Row], change: Change, kinds: frozenset[int] = frozenset({GET, GETNEXT})) -> None:
        super().__init__()
        self._change, self._kinds = change, kinds
        self.values = {oid_content(row.oid): encoded(row) for row in rows}
        self._ordered: list[tuple[Oid, bytes]] = []
        self.asked: list[Asked] = []
        self.unreadable = 0

    def datagram_received(self, data: bytes, addr: Address) -> None:
        for answer in self.answers(data):
            self.send(answer, addr)

    def answers(self, datagram: bytes) -> list[bytes]:
        """What it sends back, nothing or several times the same."""
        try:
            message = _read(datagram)
        except ValueError:
            self.unreadable += 1
            return []
        if message.discovery:
            return [_wrapped(message, _pdu(REPORT, message.request_id, Reply(((UNKNOWN_ENGINES, COUNTER_1),))))]
        asked = Asked(message.version, message.kind, message.names, len(self.asked))
        self.asked.append(asked)
        reply: Reply | None = self._good(asked)
        if message.kind in self._kinds and reply is not None:
            reply = self._change(asked, reply)
        if reply is None:
            return []
        if message.version == 0 and reply.missing and not reply.status:
            # What a good agent of version 1 says (RFC 1157 section 4.1.2), unless its habit said something else.
            reply = Reply(tuple((name, NULL) for name in asked.names), NO_SUCH_NAME, reply.missing[0])
        sent = _wrapped(message, _pdu(RESPONSE, message.request_id, reply))
        if reply.lost_bytes is not None and len(sent) > reply.lost_bytes:
            return []
        return [sent[: reply.cut_bytes]] * reply.copies

    def _good(self, asked: Asked) -> Reply:
        find = self._get if asked.kind == GET else self._after
        return Reply(tuple(find(name) for name in asked.names))

    def _get(self, name: bytes) -> tuple[bytes, bytes]:
        return name, self.values.get(name, NO_SUCH_INSTANCE)

    def _after(self, name: bytes) -> tuple[bytes, bytes]:
        if len(self._ordered) != len(self.values):
            self._ordered = sorted((oid_of(one), one) for one in self.values)
        place = bisect_right(self._ordered, oid_of(name), key=lambda one: one[0])
        if place >= len(self._ordered):
            return name, END_OF_MIB_VIEW
        following = self._ordered[place][1]
        return following, self.values[following]


def _read(datagram: bytes) -> _Message:
    """Raises ValueError."""
    _, at, _ = element(datagram, 0, SEQUENCE)
    _, start, end = element(datagram, at, INTEGER)
    if datagram[start:end] == bytes((VERSION_3,)):
        return _read_3(datagram, end)
    version, head_at = datagram[start], end
    _, _, head_end = element(datagram, head_at, OCTETS)
    kind, request_id, names = _read_pdu(datagram, head_end)
    return _Message(version, kind, request_id, names, datagram[head_at:head_end])


def _read_3(datagram: bytes, at: int) -> _Message:
    """RFC 3412 section 6 and RFC 3414 section 2.4, without encryption."""
    _, inner, at = element(datagram, at, SEQUENCE)
    _, start, end = element(datagram, inner, INTEGER)
    message_id = datagram[start:end]
    _, inner, at = element(datagram, at, OCTETS)
    _, inner, _ = element(datagram, inner, SEQUENCE)
    fields = []
    for tag in (OCTETS, INTEGER, INTEGER, OCTETS):
        _, start, inner = element(datagram, inner, tag)
        fields.append(datagram[start:inner])
    engine_id, _, _, user = fields
    _, at, _ = element(datagram, at, SEQUENCE)
    for _ in range(2):
        _, _, at = element(datagram, at, OCTETS)
    kind, request_id, names = _read_pdu(datagram, at)
    return _Message(VERSION_3, kind, request_id, names, message_id, user, discovery=not engine_id)


def _read_pdu(datagram: bytes, at: int) -> tuple[int, bytes, tuple[bytes, ...]]:
    kind, at, _ = element(datagram, at)
    if kind not in {GET, GETNEXT}:
        raise ValueError("neither GET nor GETNEXT")
    _, _, end = element(datagram, at, INTEGER)
    request_id, at = datagram[at:end], end
    for _ in range(2):
        _, _, at = element(datagram, at, INTEGER)
    _, at, end = element(datagram, at, SEQUENCE)
    names = []
    while at < end:
        _, inner, at = element(datagram, at, SEQUENCE)
        _, start, stop = element(datagram, inner, OID)
        names.append(datagram[start:stop])
    return kind, request_id, tuple(names)


def _pdu(kind: int, request_id: bytes, reply: Reply) -> bytes:
    bindings = b"".join(tlv(SEQUENCE, tlv(OID, name) + value) for name, value in reply.bindings)
    return tlv(kind, request_id + integer(reply.status) + integer(reply.index) + tlv(SEQUENCE, bindings))


def _wrapped(message: _Message, pdu: bytes) -> bytes:
    if message.version != VERSION_3:
        return tlv(SEQUENCE, integer(message.version) + message.head + pdu)
    header = tlv(SEQUENCE, tlv(INTEGER, message.head) + integer(65_507) + tlv(OCTETS, b"\x00") + integer(VERSION_3))
    security = tlv(OCTETS, ENGINE_ID) + integer(1) + integer(100) + tlv(OCTETS, message.user) + tlv(OCTETS, b"") * 2
    scoped = tlv(SEQUENCE, tlv(OCTETS, ENGINE_ID) + tlv(OCTETS, b"") + pdu)
    return tlv(SEQUENCE, integer(VERSION_3) + header + tlv(OCTETS, tlv(SEQUENCE, security)) + scoped)
