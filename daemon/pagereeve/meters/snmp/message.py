"""SNMPv1 and v2c messages (RFC 1157 section 4, RFC 3416 section 4): requests from a template, responses read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final, Literal, NamedTuple

from pagereeve.meters.snmp.ber import (
    INTEGER,
    NULL,
    OBJECT_ID,
    OCTET_STRING,
    SEQUENCE,
    DecodeError,
    Varbind,
    integer,
    read_tlv,
    tag_name,
    tlv,
)

GET: Final = 0xA0
GET_NEXT: Final = 0xA1
RESPONSE: Final = 0xA2

PlainVersion = Literal["1", "2c"]
VERSION_NUMBERS: Final[dict[PlainVersion, int]] = {"1": 0, "2c": 1}

VERSION_3: Final = 3

TOO_BIG: Final = 1
NO_SUCH_NAME: Final = 2
ERROR_NAMES: Final = (
    "noError",
    "tooBig",
    "noSuchName",
    "badValue",
    "readOnly",
    "genErr",
    "noAccess",
    "wrongType",
    "wrongLength",
    "wrongEncoding",
    "wrongValue",
    "noCreation",
    "inconsistentValue",
    "resourceUnavailable",
    "commitFailed",
    "undoFailed",
    "authorizationError",
    "notWritable",
    "inconsistentName",
)

VARBINDS_MAX = 128
REQUEST_ID_MAX = 2**31 - 1
FOUR_OCTETS_FROM = 2**23
FOUR_OCTETS: Final = bytes((INTEGER, 4))
SIZES_MAX: Final = 256


class Tail(NamedTuple):
    """What came after the first varbind of an answer: its octets, and what they say."""

    octets: bytes
    varbinds: tuple[Varbind, ...]


class Last(NamedTuple):
    """A template's last answer without an error: its PDU's body up to the first value, that value, and the tail.

    All lengths stand outside the value: what begins alike, is as long and ends alike differs in the value alone.
    """

    body: int
    end: int
    front: bytes
    value_at: int
    first: Varbind
    tail: Tail


NO_TAIL: Final = Tail(b"", ())
NO_ERROR: Final = bytes((INTEGER, 1, 0)) * 2
"""Error-status and error-index of nearly every answer."""


@dataclass(slots=True)
class Template:
    """A request that lacks only its id, which is always four octets long.

    A resting printer's answers differ in the uptime alone, which comes first, and what is octet for octet as it was in
    the ``last`` one need not be read again.
    """

    before: bytes
    after: bytes
    oids: tuple[bytes, ...]
    last: Last | None = field(default=None, compare=False)

    def datagram(self, request_id: int) -> bytes:
        return self.before + request_id.to_bytes(4, "big") + self.after

    def open(self, datagram: bytes, head: Head) -> Response:
        """What an answer says. Raises DecodeError."""
        if head.version == VERSION_3:
            raise DecodeError("an answer of SNMPv3 to a request of another version")
        last = self.last
        if last is not None and last.body == head.body and last.end == head.end:
            value_at, first, tail = last.value_at, last.first, last.tail
            stop = value_at + len(first.content)
            if datagram.startswith(last.front, head.body) and datagram.startswith(tail.octets, stop):
                first = Varbind(first.oid, first.tag, datagram[value_at:stop])
                return Response(head.request_id, 0, 0, (first, *tail.varbinds))
        response, tail = self._with_own_names(*read_after(datagram, head, NO_TAIL if last is None else last.tail))
        self.last = _last(datagram, head, response, tail)
        return response

    def _with_own_names(self, response: Response, tail: Tail) -> tuple[Response, Tail]:
        """The same, of which no copies of the names that were asked for are kept."""
        if tuple([one.oid for one in response.varbinds]) != self.oids:
            return response, tail
        named = zip(self.oids, response.varbinds, strict=True)
        varbinds = tuple([Varbind(name, one.tag, one.content) for name, one in named])
        return response._replace(varbinds=varbinds), Tail(tail.octets, varbinds[1:])

    def __repr__(self) -> str:
        # The bytes before the id carry the community.
        return f"Template({len(self.oids)} names)"


class Response(NamedTuple):
    request_id: int
    error_status: int
    error_index: int
    varbinds: tuple[Varbind, ...]


class Head(NamedTuple):
    """What has to be known of a message before its varbinds are worth reading. ``body`` is where the PDU goes on.

    ``request_id`` is the message's id in SNMPv3 (RFC 3412 section 6), whose PDU may be encrypted.
    """

    request_id: int
    body: int
    end: int
    version: int


def four_octet_id(number: int) -> int:
    """``number`` made so large that BER's shortest form (X.690 section 8.3.2) has four octets."""
    return number if number >= FOUR_OCTETS_FROM else number | 0x4000_0000


def template(version: PlainVersion, community: str, pdu_tag: int, oids: Sequence[bytes]) -> Template:
    """A GET or GETNEXT of ``oids``, encoded once for all its sendings."""
    if not oids:
        raise ValueError("no names in a request; 1 at least")
    pdu = pdu_of(pdu_tag, oids)
    whole = pdu.before + bytes(4) + pdu.after
    message = tlv(SEQUENCE, integer(VERSION_NUMBERS[version]) + tlv(OCTET_STRING, community.encode()) + whole)
    return Template(before=message[: -4 - len(pdu.after)], after=pdu.after, oids=pdu.oids)


def pdu_of(pdu_tag: int, oids: Sequence[bytes]) -> Template:
    """The same without a message around it."""
    before, after = _around_id(pdu_tag, tuple(oids))
    return Template(before=before, after=after, oids=tuple(oids))


@lru_cache(maxsize=256)
def _around_id(pdu_tag: int, oids: tuple[bytes, ...]) -> tuple[bytes, bytes]:
    """A PDU's octets before its id and after it: printers of one model are asked the same, and share them."""
    if len(oids) > VARBINDS_MAX:
        raise ValueError(f"{len(oids)} names in a request; {VARBINDS_MAX} at most")
    nothing = bytes((NULL, 0))
    varbinds = tlv(SEQUENCE, b"".join(tlv(SEQUENCE, tlv(OBJECT_ID, oid) + nothing) for oid in oids))
    after = integer(0) + integer(0) + varbinds
    pdu = tlv(pdu_tag, bytes((INTEGER, 4)) + bytes(4) + after)
    return pdu[: -4 - len(after)], after


def read_head(data: bytes, pdu_tag: int = RESPONSE) -> Head:
    """Request id of a v1 or v2c message that holds a PDU of that tag, or message id of v3. Raises DecodeError."""
    size = len(data)
    tag, at, end = read_tlv(data, 0, size)
    if tag != SEQUENCE:
        raise DecodeError(f"begins with {tag_name(tag)}, not with a SEQUENCE")
    version, at = small(data, at, end, "version")
    if version == VERSION_3:
        tag, at, stop = read_tlv(data, at, end)
        if tag != SEQUENCE:
            raise DecodeError(f"{tag_name(tag)} where the header belongs")
        message_id, _ = small(data, at, stop, "message id")
        return Head(message_id, stop, end, version)
    if version not in VERSION_NUMBERS.values():
        raise DecodeError(f"message version {version} where 0 (v1), 1 (v2c) or 3 belongs")
    tag, _, at = read_tlv(data, at, end)
    if tag != OCTET_STRING:
        raise DecodeError(f"{tag_name(tag)} where the community belongs")
    tag, at, end = read_tlv(data, at, end)
    if tag != pdu_tag:
        raise DecodeError(f"PDU {tag_name(tag)} where 0x{pdu_tag:02x} belongs")
    request_id, at = small(data, at, end, "request id")
    return Head(request_id, at, end, version)


class Heads:
    """Heads of responses, for whoever reads many: those of one printer differ in nothing but the request id.

    What stands before a four-octet id holds all tags and lengths around it: where a datagram of the same size begins
    with the same octets, its head ends in the same place.
    """

    def __init__(self) -> None:
        self._known: dict[int, tuple[bytes, Head]] = {}

    def read(self, data: bytes) -> Head:
        """As read_head. Raises DecodeError."""
        size = len(data)
        known = self._known.get(size)
        if known is not None and data.startswith(known[0]):
            head = known[1]
            return Head(int.from_bytes(data[head.body - 4 : head.body], "big", signed=True), head.body, head.end, 1)
        head = read_head(data)
        before = data[: head.body - 4]
        if head.version == VERSION_NUMBERS["2c"] and before.endswith(FOUR_OCTETS):
            if len(self._known) >= SIZES_MAX:
                self._known.clear()
            self._known[size] = before, head
        return head


def read_pdu(data: bytes, at: int, end: int, before: Tail) -> tuple[int, Response, Tail]:
    """A whole PDU without a message around it, after one whose tail was ``before``: its tag, what it says, and its own
    tail. Raises DecodeError.
    """
    tag, at, end = read_tlv(data, at, end)
    request_id, at = small(data, at, end, "request id")
    return tag, *read_after(data, Head(request_id, at, end, VERSION_3), before)


def read_response(data: bytes) -> Response:
    """The whole of a response. Raises DecodeError."""
    return read_body(data, read_head(data))


def read_body(data: bytes, head: Head) -> Response:
    """What follows a response's head. Raises DecodeError."""
    return read_after(data, head, NO_TAIL)[0]


def read_after(data: bytes, head: Head, before: Tail) -> tuple[Response, Tail]:
    """The same after an answer whose tail was ``before``, and this one's tail. Raises DecodeError."""
    end = head.end
    if data.startswith(NO_ERROR, head.body, end):
        status = index = 0
        at = head.body + len(NO_ERROR)
    else:
        status, at = small(data, head.body, end, "error-status")
        index, at = small(data, at, end, "error-index")
    tag, at, end = read_tlv(data, at, end)
    if tag != SEQUENCE:
        raise DecodeError(f"{tag_name(tag)} where the varbind list belongs")
    if at >= end:
        return Response(head.request_id, status, index, ()), NO_TAIL
    first, at = _short_varbind(data, at, end) or _varbind(data, at, end, 1)
    octets = data[at:end]
    tail = before if octets == before.octets else Tail(octets, _varbinds(data, at, end))
    return Response(head.request_id, status, index, (first, *tail.varbinds)), tail


def _last(data: bytes, head: Head, response: Response, tail: Tail) -> Last | None:
    """None where the answer is none that the next one may be like."""
    if not tail.varbinds or not data.startswith(NO_ERROR, head.body, head.end):
        return None
    if read_tlv(data, head.body + len(NO_ERROR), head.end)[2] != head.end:
        return None
    # The varbind list ends with the PDU, so the first value ends where the tail begins.
    first = response.varbinds[0]
    value_at = head.end - len(tail.octets) - len(first.content)
    return Last(head.body, head.end, data[head.body : value_at], value_at, first, tail)


def _varbinds(data: bytes, at: int, end: int) -> tuple[Varbind, ...]:
    """All after the first."""
    found: list[Varbind] = []
    while at < end:
        if len(found) == VARBINDS_MAX - 1:
            raise DecodeError(f"more than {VARBINDS_MAX} varbinds")
        varbind, at = _short_varbind(data, at, end) or _varbind(data, at, end, len(found) + 2)
        found.append(varbind)
    return tuple(found)


def _short_varbind(data: bytes, at: int, end: int) -> tuple[Varbind, int] | None:
    """What _varbind does, at a third of its cost, for a sound varbind whose three lengths have one octet; else None."""
    if at + 4 > end:
        return None
    stop, value = at + 2 + data[at + 1], at + 4 + data[at + 3]
    if data[at] != SEQUENCE or data[at + 2] != OBJECT_ID or stop > end or stop > at + 0x81 or value + 2 > stop:
        return None
    if value + 2 + data[value + 1] != stop:
        return None
    return Varbind(data[at + 4 : value], data[value], data[value + 2 : stop]), stop


def _varbind(data: bytes, at: int, end: int, number: int) -> tuple[Varbind, int]:
    tag, inner, after = read_tlv(data, at, end)
    if tag != SEQUENCE:
        raise DecodeError(f"{tag_name(tag)} where varbind {number} belongs")
    tag, oid_start, oid_stop = read_tlv(data, inner, after)
    if tag != OBJECT_ID:
        raise DecodeError(f"{tag_name(tag)} where the name of varbind {number} belongs")
    tag, start, stop = read_tlv(data, oid_stop, after)
    if stop != after:
        raise DecodeError(f"{after - stop} byte(s) too many in varbind {number}")
    return Varbind(data[oid_start:oid_stop], tag, data[start:stop]), after


def small(data: bytes, at: int, end: int, what: str) -> tuple[int, int]:
    """An INTEGER of a message's frame, and what follows it. Raises DecodeError."""
    tag, start, stop = read_tlv(data, at, end)
    if tag != INTEGER or not 1 <= stop - start <= 5:
        raise DecodeError(f"{tag_name(tag)} of {stop - start} octets where the {what} belongs")
    return int.from_bytes(data[start:stop], "big", signed=True), stop


def error_name(status: int) -> str:
    name = ERROR_NAMES[status] if 0 <= status < len(ERROR_NAMES) else "unknown"
    return f"error-status {status} ({name})"
