"""Agents for tests, down to the byte: what they answer is in the test's hands, right or wrong."""

from __future__ import annotations

import asyncio
import itertools
import socket
import time
from bisect import bisect_right
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from random import Random
from typing import cast

from pagereeve.meters.snmp.ber import (
    COUNTER32,
    END_OF_MIB_VIEW,
    INTEGER,
    NO_SUCH_INSTANCE,
    NULL,
    OBJECT_ID,
    OCTET_STRING,
    SEQUENCE,
    TIME_TICKS,
    integer,
    oid_arcs,
    oid_bytes,
    read_tlv,
    tlv,
)
from pagereeve.meters.snmp.message import GET_NEXT, RESPONSE
from pagereeve.ports.meter import MeterTarget

# Invented figures and identities.
SERIAL = "PR-TEST-0001"
PRINTER_OBJECT_ID = "1.3.6.1.4.1.99999.1.7"
ROUTER_OBJECT_ID = "1.3.6.1.4.1.99999.2.1"

UP_TIME = "1.3.6.1.2.1.1.3.0"
SYS_OBJECT = "1.3.6.1.2.1.1.2.0"
LIFE = "1.3.6.1.2.1.43.10.2.1.4"
UNIT = "1.3.6.1.2.1.43.10.2.1.3"
POWER_ON = "1.3.6.1.2.1.43.10.2.1.5"
SERIAL_COLUMN = "1.3.6.1.2.1.43.5.1.1.17"
STATUS = "1.3.6.1.2.1.25.3.5.1.1"
ERRORS = "1.3.6.1.2.1.25.3.5.1.2"
DEVICE_TYPE = "1.3.6.1.2.1.25.3.2.1.2"
GENERAL = "1.3.6.1.2.1.43.5.1.1.1"

Tlv = tuple[int, bytes]
Mib = dict[str, Tlv]


class MachineClock:
    def now_us(self) -> int:
        return time.time_ns() // 1000

    def monotonic_us(self) -> int:
        return time.monotonic_ns() // 1000

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)


class SeededEntropy:
    def __init__(self, seed: int = 1) -> None:
        self._random = Random(seed)

    def request_id(self) -> int:
        return self._random.randint(1, 2**31 - 1)

    def jitter(self) -> float:
        return self._random.random()


class CountingEntropy:
    """Ids 1001, 1002 …, made four octets long by the reader."""

    def __init__(self) -> None:
        self._ids = itertools.count(2**23 + 1001)

    def request_id(self) -> int:
        return next(self._ids)

    def jitter(self) -> float:
        return 0.5


def counter(value: int) -> Tlv:
    return COUNTER32, value.to_bytes(value.bit_length() // 8 + 1, "big")


def small(value: int) -> Tlv:
    return INTEGER, integer(value)[2:]


def text(value: str | bytes) -> Tlv:
    return OCTET_STRING, value.encode() if isinstance(value, str) else value


def ticks(value: int) -> Tlv:
    return TIME_TICKS, value.to_bytes(value.bit_length() // 8 + 1, "big")


def name(value: str) -> Tlv:
    return OBJECT_ID, oid_bytes(value)


def printer_mib(count: int = 764, *, device: int = 1, marker: int = 1, unit: int = 7, uptime: int = 100_000) -> Mib:
    """The objects of a plain printer with one marker."""
    return {
        "1.3.6.1.2.1.1.1.0": text("a test printer"),
        SYS_OBJECT: name(PRINTER_OBJECT_ID),
        UP_TIME: ticks(uptime),
        f"{DEVICE_TYPE}.{device}": name("1.3.6.1.2.1.25.3.1.5"),
        f"{STATUS}.{device}": small(3),
        f"{ERRORS}.{device}": text(b"\x00"),
        f"{GENERAL}.{device}": counter(3),
        f"{SERIAL_COLUMN}.{device}": text(SERIAL),
        f"{UNIT}.{device}.{marker}": small(unit),
        f"{LIFE}.{device}.{marker}": counter(count),
        f"{POWER_ON}.{device}.{marker}": counter(35),
    }


def router_mib() -> Mib:
    """The objects of a box that is no printer but lists devices of other kinds."""
    return {
        SYS_OBJECT: name(ROUTER_OBJECT_ID),
        UP_TIME: ticks(5_000_000),
        f"{DEVICE_TYPE}.1": name("1.3.6.1.2.1.25.3.1.3"),
        f"{DEVICE_TYPE}.2": name("1.3.6.1.2.1.25.3.1.4"),
    }


@dataclass(frozen=True)
class Request:
    version: int
    community: bytes
    pdu_tag: int
    request_id: bytes
    names: tuple[bytes, ...]

    @classmethod
    def of(cls, data: bytes) -> Request:
        _, at, end = read_tlv(data, 0, len(data))
        _, start, at = read_tlv(data, at, end)
        version = data[start]
        _, start, at = read_tlv(data, at, end)
        community = data[start:at]
        pdu_tag, at, end = read_tlv(data, at, end)
        _, start, at = read_tlv(data, at, end)
        request_id = data[start:at]
        for _ in range(2):
            _, _, at = read_tlv(data, at, end)
        _, at, end = read_tlv(data, at, end)
        names = []
        while at < end:
            _, inner, at = read_tlv(data, at, end)
            _, start, stop = read_tlv(data, inner, at)
            names.append(data[start:stop])
        return cls(version, community, pdu_tag, request_id, tuple(names))

    def response(self, varbinds: Iterable[tuple[bytes, int, bytes]], status: int = 0, index: int = 0) -> bytes:
        listed = tlv(
            SEQUENCE,
            b"".join(tlv(SEQUENCE, tlv(OBJECT_ID, oid) + tlv(tag, content)) for oid, tag, content in varbinds),
        )
        body = tlv(INTEGER, self.request_id) + integer(status) + integer(index) + listed
        head = tlv(INTEGER, bytes((self.version,))) + tlv(OCTET_STRING, self.community)
        return tlv(SEQUENCE, head + tlv(RESPONSE, body))


@dataclass
class MibAgent:
    """Answers GET and GETNEXT from ``mib`` as RFC 1157 and RFC 3416 say, with a few bad habits to switch on."""

    mib: Mib
    names_max: int = 100
    versions: tuple[int, ...] = (0, 1)
    walkable: bool = True
    requests: list[Request] = field(default_factory=list)

    def answer(self, data: bytes) -> bytes | None:
        request = Request.of(data)
        if request.version not in self.versions:
            return None
        self.requests.append(request)
        if len(request.names) > self.names_max:
            return request.response((), status=1)
        found = [self._found(request, wanted) for wanted in request.names]
        if request.version == 0:
            for index, (_, tag, _) in enumerate(found, 1):
                if tag in {NO_SUCH_INSTANCE, END_OF_MIB_VIEW}:
                    echoed = [(oid, NULL, b"") for oid in request.names]
                    return request.response(echoed, status=2, index=index)
        return request.response(found)

    def _found(self, request: Request, wanted: bytes) -> tuple[bytes, int, bytes]:
        if request.pdu_tag != GET_NEXT:
            value = self.mib.get(".".join(map(str, oid_arcs(wanted))))
            return (wanted, *value) if value else (wanted, NO_SUCH_INSTANCE, b"")
        if not self.walkable:
            return wanted, NO_SUCH_INSTANCE, b""
        rows = sorted((oid_arcs(oid_bytes(dotted)), dotted) for dotted in self.mib)
        at = bisect_right([row[0] for row in rows], oid_arcs(wanted))
        if at == len(rows):
            return wanted, END_OF_MIB_VIEW, b""
        return (oid_bytes(rows[at][1]), *self.mib[rows[at][1]])


Peer = tuple[str, int]
Handler = Callable[[bytes, Peer, "RawAgent"], None]


class RawAgent(asyncio.DatagramProtocol):
    """A UDP socket on loopback that hands each datagram to ``handle(datagram, source, agent)``."""

    def __init__(self, handle: Handler) -> None:
        self._handle = handle
        self.received: list[bytes] = []
        self.sources: list[Peer] = []
        self.transport: asyncio.DatagramTransport

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast("asyncio.DatagramTransport", transport)

    def datagram_received(self, data: bytes, addr: Peer) -> None:
        self.received.append(data)
        self.sources.append(addr)
        self._handle(data, addr, self)

    def send(self, data: bytes, to: Peer) -> None:
        self.transport.sendto(data, to)

    @property
    def port(self) -> int:
        return int(self.transport.get_extra_info("sockname")[1])

    def target(self, printer: str = "p1", **more: str) -> MeterTarget:
        host = str(self.transport.get_extra_info("sockname")[0])
        return MeterTarget(printer=printer, host=host, port=self.port, **more)  # type: ignore[arg-type]


@asynccontextmanager
async def raw_agent(handle: Handler, host: str = "127.0.0.1", port: int = 0) -> AsyncIterator[RawAgent]:
    loop = asyncio.get_running_loop()
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    transport, agent = await loop.create_datagram_endpoint(
        lambda: RawAgent(handle), local_addr=(host, port), family=family
    )
    try:
        yield agent
    finally:
        transport.close()


@asynccontextmanager
async def mib_agent(agent: MibAgent, host: str = "127.0.0.1", port: int = 0) -> AsyncIterator[RawAgent]:
    def handle(data: bytes, source: Peer, raw: RawAgent) -> None:
        answer = agent.answer(data)
        if answer is not None:
            raw.send(answer, source)

    async with raw_agent(handle, host, port) as raw:
        yield raw
