"""A printer's SNMP agent on a real UDP socket, serving from its engine at the instant it answers."""

from __future__ import annotations

import asyncio
from typing import Any

from pagereeve.ports.clock import Clock
from pagereeve.simulator.printer.print_engine import PrintEngine
from pagereeve.simulator.snmp.answers import AgentCounts, SnmpResponder
from pagereeve.simulator.snmp.job_rows import job_rows
from pagereeve.simulator.snmp.mib import LIFE_COUNT, View, printer_rows

PENDING_MAX = 64

Address = tuple[str, int]


class DatagramDoor(asyncio.DatagramProtocol):
    """A bound UDP socket. Subclasses say what a datagram does; ``send`` answers."""

    def __init__(self) -> None:
        self._transport: asyncio.DatagramTransport | None = None
        self.address: Address = ("", 0)

    async def bind(self, host: str, port: int) -> None:
        loop = asyncio.get_running_loop()
        transport, _ = await loop.create_datagram_endpoint(lambda: self, local_addr=(host, port))
        self._transport = transport
        self.address = transport.get_extra_info("sockname")[:2]

    def send(self, datagram: bytes, to: Address) -> None:
        if self._transport is not None and not self._transport.is_closing():
            self._transport.sendto(datagram, to)

    def close(self) -> None:
        if self._transport is not None:
            self._transport.close()
            self._transport = None


class PrinterAgent(DatagramDoor):
    """Printer-MIB and HOST-RESOURCES rows of one printer, for v1 and v2c.

    ``answer_after_s`` delays every answer; a request that arrives while another waits is counted as overlapping.
    """

    def __init__(
        self,
        engine: PrintEngine,
        clock: Clock,
        *,
        community: str = "public",
        device_index: int = 1,
        marker_index: int = 1,
        answer_after_s: float = 0.0,
    ) -> None:
        super().__init__()
        self._engine, self._clock = engine, clock
        self._device, self._marker = device_index, marker_index
        self._answer_after_s = answer_after_s
        self._waiting: set[asyncio.TimerHandle] = set()
        self._responder = SnmpResponder(community, self._view)
        self.meter_name = (*LIFE_COUNT, device_index, marker_index)

    @property
    def counts(self) -> AgentCounts:
        return self._responder.counts

    async def start(self, host: str = "127.0.0.1", port: int = 0) -> None:
        await self.bind(host, port)

    async def stop(self) -> None:
        for handle in self._waiting:
            handle.cancel()
        self._waiting.clear()
        self.close()

    def datagram_received(self, data: bytes, addr: tuple[str | Any, int]) -> None:
        if not self._engine.hears(self._clock.now_us()):
            self.counts.unheard += 1
            return
        if self._answer_after_s <= 0:
            self._reply(data, addr)
            return
        if self._waiting:
            self.counts.overlapping += 1
        if len(self._waiting) < PENDING_MAX:
            self._reply_later(data, addr)

    def _reply_later(self, data: bytes, addr: Address) -> None:
        def reply() -> None:
            self._waiting.discard(handle)
            self._reply(data, addr)

        handle = asyncio.get_running_loop().call_later(self._answer_after_s, reply)
        self._waiting.add(handle)

    def _reply(self, data: bytes, addr: Address) -> None:
        answer = self._responder.answer(data)
        if answer is not None:
            self.send(answer, addr)

    def _view(self) -> View:
        shown = self._engine.show(self._clock.now_us())
        rows = printer_rows(shown, self._engine.spec.name, self._device, self._marker)
        if self._engine.spec.job_rows != "none":
            rows += job_rows(self._engine.jobs(self._clock.now_us()))
        return View(rows)
