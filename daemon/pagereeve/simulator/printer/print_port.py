"""A printer's raw print port on TCP: takes data as long as there is room, as raw ports do."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, replace
from typing import Final

from pagereeve.ports.clock import Clock
from pagereeve.simulator.errors import BadJob, PrinterFull, PrinterOff
from pagereeve.simulator.network.listener import LoopbackListener, reset
from pagereeve.simulator.printer.job_language import HEADER_MAX_BYTES, job_of
from pagereeve.simulator.printer.model import PrintJob
from pagereeve.simulator.printer.page_languages import DOCUMENT_MAX_BYTES, job_in
from pagereeve.simulator.printer.print_engine import PrintEngine
from pagereeve.simulator.snmp.agent import Address

CHUNK_BYTES: Final = 16_384
IDLE_TIMEOUT_S: Final = 30.0
ROOM_POLL_S: Final = 0.01


@dataclass(slots=True)
class PortCounts:
    jobs: int = 0
    texts: int = 0
    turned_away: int = 0
    broken_off: int = 0


class PrintPort:
    """Jobs of our invented language, several on one connection, or one document of another (``pagelanguages``)."""

    def __init__(self, engine: PrintEngine, clock: Clock) -> None:
        self._engine, self._clock = engine, clock
        self._listener = LoopbackListener(self._serve, limit_bytes=HEADER_MAX_BYTES)
        self.counts = PortCounts()

    @property
    def address(self) -> Address:
        return self._listener.address

    async def start(self, host: str = "127.0.0.1", port: int = 0) -> None:
        await self._listener.start(host, port)

    async def stop(self) -> None:
        await self._listener.stop()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while self._powered() and (header := await self._header(reader)):
                await self._take(header, reader)
        except (PrinterOff, PrinterFull):
            self.counts.turned_away += 1
            reset(writer)
        if not self._powered():
            reset(writer)

    def _powered(self) -> bool:
        self._engine.advance(self._clock.now_us())
        return self._engine.powered

    @staticmethod
    async def _header(reader: asyncio.StreamReader) -> bytes:
        """A line, or the first bytes of something that has none; empty at the end."""
        try:
            async with asyncio.timeout(IDLE_TIMEOUT_S):
                return await reader.readuntil(b"\n")
        except asyncio.IncompleteReadError as error:
            return error.partial
        except asyncio.LimitOverrunError as error:
            return await reader.readexactly(error.consumed)
        except TimeoutError:
            return b""

    async def _take(self, header: bytes, reader: asyncio.StreamReader) -> None:
        try:
            job = job_of(header)
        except BadJob:
            self.counts.texts += 1
            document = header + await self._rest(reader)
            self._engine.submit(self._obeyed(job_in(document)), self._clock.now_us())
            return
        self.counts.jobs += 1
        spooled = self._engine.begin(job, self._clock.now_us())
        left = job.size_bytes
        while left > 0:
            room = 1 if spooled.done else self._engine.room_bytes(self._clock.now_us())
            if room == 0:
                await self._clock.sleep(ROOM_POLL_S)
                continue
            chunk = await self._chunk(reader, min(left, CHUNK_BYTES, CHUNK_BYTES if spooled.done else room))
            if not chunk or not self._powered():
                self.counts.broken_off += 1
                break
            left -= len(chunk)
            self._engine.feed(spooled, len(chunk), self._clock.now_us())
        self._engine.end(spooled, self._clock.now_us())

    @staticmethod
    async def _chunk(reader: asyncio.StreamReader, size_bytes: int) -> bytes:
        try:
            async with asyncio.timeout(IDLE_TIMEOUT_S):
                return await reader.read(size_bytes)
        except TimeoutError:
            return b""

    async def _rest(self, reader: asyncio.StreamReader) -> bytes:
        """A document's end; what is beyond the longest that is kept is read and dropped."""
        kept = bytearray()
        while chunk := await self._chunk(reader, CHUNK_BYTES):
            kept += chunk[: max(0, DOCUMENT_MAX_BYTES - len(kept))]
        return bytes(kept)

    def _obeyed(self, job: PrintJob) -> PrintJob:
        """The job as this printer takes it."""
        spec = self._engine.spec
        return replace(
            job,
            sides="one-sided" if spec.ignores_sides else job.sides,
            copies=1 if spec.ignores_copies else job.copies,
            separator_sheets=spec.banner_sheets,
        )
