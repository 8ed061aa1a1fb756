"""Closing a period in the daemon: another process reads and packs its rows, the journal's own writer stores them."""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import Callable
from typing import Final

from pagereeve.app.child_process import ended
from pagereeve.app.closing import ClosingRequest, Packed, begun
from pagereeve.app.closing_process.messages import (
    HEAD_MAX_BYTES,
    LENGTH_BYTES,
    PACKED_MAX_BYTES,
    PART_MAX_BYTES,
    Answered,
    Asked,
    Ready,
    Refused,
)
from pagereeve.app.closings import Closings, period_named
from pagereeve.app.journals import place_of
from pagereeve.console.api.site import AskedSite
from pagereeve.ports.clock import Clock
from pagereeve.ports.closing import ClosedPeriod, Hindered, NotClosed, PeriodCloser
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.settings import Settings

CLOSING_S: Final = 3_600.0
STOP_S: Final = 2.0
_ENDED: Final = "the process that adds its rows up ended before it answered, and nothing was closed; the log says why"


def closings_of(store: PeriodCloser, settings: Callable[[], Settings], clock: Clock) -> Closings:
    """``settings`` gives those in force."""

    async def close(said: ClosingRequest, by: str) -> ClosedPeriod:
        current = settings()
        asked = Asked(
            journal=place_of(current),
            log=current.log,
            site=AskedSite.of(current),
            period=said.period.name,
            despite=said.despite,
            by=by,
            now_us=clock.now_us(),
        )
        async with begun(store, said.period) as attempt:
            ready, packed = await _packed(asked)
            return await store.close_packed(ready.closing, packed, ready.touched, attempt)

    return Closings(close, clock.now_us, lambda name: period_named(settings(), name))


async def _packed(asked: Asked) -> tuple[Ready, Packed]:
    """Raises NotClosed, JournalUnavailable."""
    try:
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-P", "-m", "pagereeve.app.closing_process.child"),
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )
    except OSError as error:
        why = f"the process that adds its rows up can't be started: {error.strerror}"
        raise NotClosed(f"{asked.period} is not closed: {why}") from error
    try:
        async with asyncio.timeout(CLOSING_S):
            return await _answer_of(process, asked)
    except TimeoutError:
        raise NotClosed(f"{asked.period} is not closed: it took longer than {CLOSING_S:g} s") from None
    except (asyncio.IncompleteReadError, ConnectionError):
        raise NotClosed(f"{asked.period} is not closed: {_ENDED}") from None
    finally:
        if process.stdin is not None:
            process.stdin.close()
        await ended(process, STOP_S)


async def _answer_of(process: asyncio.subprocess.Process, asked: Asked) -> tuple[Ready, Packed]:
    """Its input stays open as long as we wait."""
    assert process.stdin is not None  # noqa: S101 - a pipe was asked for
    assert process.stdout is not None  # noqa: S101 - a pipe was asked for
    try:
        process.stdin.write(asked.to_bytes())
    except RuntimeError as error:  # uvloop's, where it has ended already; asyncio's own loop tells the reader
        raise ConnectionResetError from error
    await process.stdin.drain()
    head = Answered.model_validate_json(await _frame(process.stdout, HEAD_MAX_BYTES, asked)).head
    if isinstance(head, Refused):
        raise _refusal(head)
    parts, size_bytes = list[bytes](), 0
    for _ in range(head.parts):
        parts.append(await _frame(process.stdout, PART_MAX_BYTES, asked))
        size_bytes += len(parts[-1])
        if size_bytes > PACKED_MAX_BYTES:
            raise NotClosed(f"{asked.period} is not closed: its rows are longer than {PACKED_MAX_BYTES} bytes")
    return head, Packed(head.rows, head.sha256, parts)


async def _frame(stream: asyncio.StreamReader, most: int, asked: Asked) -> bytes:
    length = int.from_bytes(await stream.readexactly(LENGTH_BYTES), "big")
    if length > most:
        raise NotClosed(f"{asked.period} is not closed: a part of it is longer than {most} bytes")
    return await stream.readexactly(length)


def _refusal(head: Refused) -> NotClosed | JournalUnavailable:
    if head.unavailable:
        return JournalUnavailable(head.text)
    return Hindered(head.text, head.hindrances) if head.hindrances else NotClosed(head.text)
