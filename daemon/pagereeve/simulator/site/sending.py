"""Sending one job's data to a raw print port."""

from __future__ import annotations

import asyncio
from typing import Final

from pagereeve.domain.facts.facts import Outcome
from pagereeve.simulator.network.listener import close
from pagereeve.simulator.printer.job_language import header_of
from pagereeve.simulator.printer.model import PrintJob
from pagereeve.simulator.snmp.agent import Address

CHUNK_BYTES: Final = 16_384
CONNECT_TIMEOUT_S: Final = 5.0
SEND_TIMEOUT_S: Final = 600.0
END_TIMEOUT_S: Final = 5.0


async def send_job(address: Address, job: PrintJob, share: float = 1.0) -> Outcome:
    """Send the job, or the first ``share`` of its data (then it was cancelled). ``aborted`` where the port failed.

    Completed means that the port accepted the data, not that anything was printed.
    """
    try:
        async with asyncio.timeout(CONNECT_TIMEOUT_S):
            reader, writer = await asyncio.open_connection(*address)
        try:
            async with asyncio.timeout(SEND_TIMEOUT_S):
                await _write(writer, job, int(job.size_bytes * share))
            await _until_closed(reader, writer)
        finally:
            await close(writer)
    except (OSError, TimeoutError):
        return "aborted"
    return "completed" if share >= 1 else "cancelled"


async def _write(writer: asyncio.StreamWriter, job: PrintJob, size_bytes: int) -> None:
    writer.write(header_of(job))
    left = size_bytes
    while left > 0:
        writer.write(bytes(min(CHUNK_BYTES, left)))
        await writer.drain()
        left -= CHUNK_BYTES
    if writer.can_write_eof():
        writer.write_eof()


async def _until_closed(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """The port closes once it has read everything; a full one may need longer than the wait."""
    await writer.drain()
    try:
        async with asyncio.timeout(END_TIMEOUT_S):
            while await reader.read(CHUNK_BYTES):
                pass
    except TimeoutError:
        return
