"""A file that one task writes and another sends on behind it: what is made never waits for who reads it.

So a snapshot of the journal is held as long as the making takes, and not as long as a slow reader does.
"""

from __future__ import annotations

import asyncio
import os
import tempfile
from collections.abc import AsyncGenerator, Callable, Coroutine
from typing import Any, BinaryIO, Final

from pagereeve.console.api.problems import ApiProblem

SPOOLS_MAX: Final = 4
"""Made or sent at once."""
SIZE_MAX_BYTES: Final = 2**30
CHUNK_BYTES: Final = 2**16


class Spools:
    """As many as may be open."""

    def __init__(self, most: int = SPOOLS_MAX, size_max_bytes: int = SIZE_MAX_BYTES) -> None:
        self._most = most
        self._size_max_bytes = size_max_bytes
        self.open = 0

    def take(self, *, at_its_end: bool = False) -> Spool:
        """One that counts until it is closed. Raises ApiProblem where there are too many."""
        if self.open >= self._most:
            raise ApiProblem("over-capacity", "export", f"{self.open} others are made or sent; ask again later")
        spool = Spool(self._size_max_bytes, self._closed, at_its_end=at_its_end)
        self.open += 1
        return spool

    def _closed(self) -> None:
        self.open -= 1


class Spool:
    """``file`` lies in the folder for temporary files, has no name, and ends with the process at the latest.

    ``at_its_end``: nothing of it may be read before all of it is written, as a writer goes back in it.
    """

    def __init__(self, size_max_bytes: int, closed: Callable[[], None], *, at_its_end: bool = False) -> None:
        self.file: BinaryIO = tempfile.TemporaryFile()  # noqa: SIM115 - closed in close()
        self._at_its_end = at_its_end
        self._size_max_bytes = size_max_bytes
        self._closed = closed
        self._ready_bytes = 0
        self._ended = False
        self._more = asyncio.Event()
        self._begun = asyncio.Event()
        self._making: asyncio.Task[None] | None = None

    async def begin(self, making: Coroutine[Any, Any, None]) -> None:
        """Starts what writes the file, and returns when it called ``begun``. Raises what goes wrong before that."""
        self._making = asyncio.create_task(self._make(making), name="making an export")
        begun = asyncio.create_task(self._begun.wait())
        try:
            await asyncio.wait({self._making, begun}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            begun.cancel()
        if self._making.done():
            self._making.result()

    async def _make(self, making: Coroutine[Any, Any, None]) -> None:
        try:
            await making
            self.file.flush()
            self._ready_bytes = self._size_bytes()
        finally:
            self._ended = True
            self._more.set()

    def begun(self) -> None:
        """From here on an answer is sent: nothing more can be said of what goes wrong."""
        self._begun.set()

    def advance(self) -> None:
        """What is written may be read. Raises ApiProblem where it is too long."""
        self.file.flush()
        size_bytes = self._size_bytes()
        if size_bytes > self._size_max_bytes:
            problem = f"is longer than {self._size_max_bytes} bytes; ask for a shorter period"
            raise ApiProblem("bad-parameter", "period", problem)
        if not self._at_its_end:
            self._ready_bytes = size_bytes
            self._more.set()

    def _size_bytes(self) -> int:
        return os.fstat(self.file.fileno()).st_size

    async def chunks(self) -> AsyncGenerator[bytes, None]:
        """All of it, as it is made. Raises what went wrong in the making: the answer then ends unfinished."""
        sent_bytes = 0
        while True:
            self._more.clear()
            while sent_bytes < self._ready_bytes:
                length = min(CHUNK_BYTES, self._ready_bytes - sent_bytes)
                chunk = await asyncio.to_thread(os.pread, self.file.fileno(), length, sent_bytes)
                sent_bytes += len(chunk)
                yield chunk
            if self._ended:
                break
            await self._more.wait()
        if self._making is not None:
            await self._making

    async def close(self) -> None:
        """Whatever still writes is ended."""
        if self.file.closed:
            return
        if self._making is not None:
            self._making.cancel()
            # What went wrong was said, or is of no interest any more.
            await asyncio.gather(self._making, return_exceptions=True)
        self.file.close()
        self._closed()
