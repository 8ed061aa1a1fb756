"""Lines that somebody types at our own terminal, or that a pipe brings, one at a time."""

from __future__ import annotations

import asyncio
import os
import signal
import stat
from collections.abc import AsyncIterator
from typing import Final

STDIN: Final = 0
LINE_MAX_BYTES: Final = 1_024
READ_BYTES: Final = 4_096


def can_be_typed_at() -> bool:
    """A terminal, a pipe or a socket: what can be waited for. A file or /dev/null brings no lines."""
    mode = os.fstat(STDIN).st_mode
    return os.isatty(STDIN) or stat.S_ISFIFO(mode) or stat.S_ISSOCK(mode)


async def typed_lines() -> AsyncIterator[str]:
    """Until the end of input; longer lines are cut, and of many that come at once the last are dropped."""
    loop = asyncio.get_running_loop()
    waiting: asyncio.Queue[str | None] = asyncio.Queue(maxsize=64)
    kept = bytearray()
    # In the background a read would stop us; so it fails, and nobody types here any more.
    signal.signal(signal.SIGTTIN, signal.SIG_IGN)

    def give(line: str | None) -> None:
        if not waiting.full():
            waiting.put_nowait(line)

    def readable() -> None:
        try:
            read = os.read(STDIN, READ_BYTES)
        except OSError:
            read = b""
        if not read:
            loop.remove_reader(STDIN)
            give(None)
            return
        *whole, rest = (bytes(kept) + read).split(b"\n")
        kept[:] = rest[:LINE_MAX_BYTES]
        for line in whole:
            give(line[:LINE_MAX_BYTES].decode(errors="replace"))

    loop.add_reader(STDIN, readable)
    try:
        while (line := await waiting.get()) is not None:
            yield line
    finally:
        loop.remove_reader(STDIN)
