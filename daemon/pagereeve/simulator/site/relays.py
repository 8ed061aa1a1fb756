"""How a gateway forwards: TCP print data and UDP SNMP, each from its own port to one printer."""

from __future__ import annotations

import asyncio
import socket
from collections import OrderedDict
from collections.abc import Callable
from typing import Any, Final, Literal

from pagereeve.ports.clock import Clock
from pagereeve.simulator.network.listener import LoopbackListener, close, reset
from pagereeve.simulator.snmp.agent import Address, DatagramDoor

CONNECT_TIMEOUT_S: Final = 5.0
CHUNK_BYTES: Final = 16_384
DATAGRAM_BYTES: Final = 65_535
MAPPINGS_MAX: Final = 256

UdpMode = Literal["relay", "down", "own-agent"]


class PrintRelay:
    """Forwards each TCP connection both ways. ``down`` turns senders away; ``slow_s`` is slept before each chunk."""

    def __init__(self, target: Address, clock: Clock) -> None:
        self._target, self._clock = target, clock
        self._listener = LoopbackListener(self._serve)
        self.down = False
        self.slow_s = 0.0
        self.relayed_bytes = 0

    @property
    def address(self) -> Address:
        return self._listener.address

    async def start(self, host: str, port: int = 0) -> None:
        await self._listener.start(host, port)

    async def stop(self) -> None:
        await self._listener.stop()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self.down:
            reset(writer)
            return
        try:
            async with asyncio.timeout(CONNECT_TIMEOUT_S):
                inner_reader, inner_writer = await asyncio.open_connection(*self._target)
        except (OSError, TimeoutError):
            reset(writer)
            return
        loop = asyncio.get_running_loop()
        pumps = {
            loop.create_task(self._pump(reader, inner_writer)),
            loop.create_task(self._pump(inner_reader, writer)),
        }
        try:
            done, _ = await asyncio.wait(pumps, return_when=asyncio.FIRST_EXCEPTION)
            for pump in done:
                pump.result()
        except OSError:
            reset(writer)
            reset(inner_writer)
        finally:
            for pump in pumps:
                pump.cancel()
            await asyncio.wait(pumps)
            await close(inner_writer)

    async def _pump(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while chunk := await reader.read(CHUNK_BYTES):
            if self.down:
                raise ConnectionResetError("the print relay went down")
            if self.slow_s > 0:
                await self._clock.sleep(self.slow_s)
            writer.write(chunk)
            await writer.drain()
            self.relayed_bytes += len(chunk)
        if writer.can_write_eof():
            writer.write_eof()


class SnmpRelay(DatagramDoor):
    """Forwards datagrams through one mapping for each client, as address translation does.

    ``own-agent``: the forward is gone, so the gateway's own agent answers on this port.
    """

    def __init__(self, target: Address, own_answer: Callable[[bytes], bytes | None]) -> None:
        super().__init__()
        self._target, self._own_answer = target, own_answer
        self._mappings: OrderedDict[Address, socket.socket] = OrderedDict()
        self._delayed: set[asyncio.TimerHandle] = set()
        self.mode: UdpMode = "relay"
        self.slow_s = 0.0
        self.relayed = self.dropped = 0

    async def start(self, host: str, port: int = 0) -> None:
        await self.bind(host, port)

    async def stop(self) -> None:
        for handle in self._delayed:
            handle.cancel()
        self._delayed.clear()
        while self._mappings:
            self._forget(next(iter(self._mappings)))
        self.close()

    def datagram_received(self, data: bytes, addr: tuple[str | Any, int]) -> None:
        client: Address = addr[:2]
        if self.mode == "down":
            self.dropped += 1
        elif self.mode == "own-agent":
            if (answer := self._own_answer(data)) is not None:
                self.send(answer, client)
        elif self.slow_s > 0:
            self._later(data, client)
        else:
            self._inward(data, client)

    def _later(self, data: bytes, client: Address) -> None:
        if len(self._delayed) >= MAPPINGS_MAX:
            self.dropped += 1
            return

        def go() -> None:
            self._delayed.discard(handle)
            self._inward(data, client)

        handle = asyncio.get_running_loop().call_later(self.slow_s, go)
        self._delayed.add(handle)

    def _inward(self, data: bytes, client: Address) -> None:
        try:
            self._mapping(client).sendto(data, self._target)
            self.relayed += 1
        except OSError:
            self.dropped += 1

    def _mapping(self, client: Address) -> socket.socket:
        known = self._mappings.get(client)
        if known is not None:
            self._mappings.move_to_end(client)
            return known
        if len(self._mappings) >= MAPPINGS_MAX:
            self._forget(next(iter(self._mappings)))
        inner = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        # Not connected: an ICMP error would put POLLERR on a connected one, at which libuv stops watching it for good.
        inner.settimeout(0)
        self._mappings[client] = inner
        asyncio.get_running_loop().add_reader(inner.fileno(), self._outward, inner, client)
        return inner

    def _outward(self, inner: socket.socket, client: Address) -> None:
        try:
            answer, source = inner.recvfrom(DATAGRAM_BYTES)
        except OSError:
            self.dropped += 1
            return
        if source[:2] != self._target:
            self.dropped += 1
        elif self.mode == "relay":
            self.send(answer, client)

    def _forget(self, client: Address) -> None:
        inner = self._mappings.pop(client)
        asyncio.get_running_loop().remove_reader(inner.fileno())
        inner.close()
