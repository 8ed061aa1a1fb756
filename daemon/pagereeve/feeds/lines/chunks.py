"""The bounded way from a connection to whoever reads its lines."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

# What keeping a chunk costs beside its bytes, so that many tiny ones are bounded as well.
CHUNK_COST_BYTES: Final = 128


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes in order. ``received_us`` is wall time."""

    content: bytes
    received_us: int


class ChunkQueue:
    """One writer, one reader, at most ``most_bytes``."""

    def __init__(self, most_bytes: int) -> None:
        self._most_bytes = most_bytes
        self._chunks: deque[Chunk] = deque()
        self._held_bytes = 0
        self._ended = False
        self._dropped = 0
        self._filled = asyncio.Event()
        self._emptied = asyncio.Event()

    async def put(self, content: bytes, received_us: int) -> bool:
        """Waits until there is room. False once nobody reads any more: the bytes are dropped, and are ``unread``.

        Cut off while it waits, it keeps them beyond the room: whoever sent them has them no more.
        """
        try:
            while not self._ended and not self._has_room(content):
                self._emptied.clear()
                await self._emptied.wait()
        finally:
            self.keep(content, received_us)
        return not self._ended

    def keep(self, content: bytes, received_us: int) -> None:
        """As ``put``, whatever room there is."""
        if self._ended:
            self._dropped += lines_in(content)
            return
        self._chunks.append(Chunk(content, received_us))
        self._held_bytes += len(content) + CHUNK_COST_BYTES
        self._filled.set()

    def _has_room(self, content: bytes) -> bool:
        return not self._chunks or self._held_bytes + len(content) + CHUNK_COST_BYTES <= self._most_bytes

    async def get(self) -> Chunk | None:
        """The next chunk; None once ``end`` was called and all before it is read."""
        while not self._chunks:
            if self._ended:
                return None
            self._filled.clear()
            await self._filled.wait()
        chunk = self._chunks.popleft()
        self._held_bytes -= len(chunk.content) + CHUNK_COST_BYTES
        self._emptied.set()
        return chunk

    @property
    def ended(self) -> bool:
        return self._ended

    @property
    def unread(self) -> int:
        """How many lines nobody has looked at; a piece without a line's end counts as one."""
        return self._dropped + sum(lines_in(chunk.content) for chunk in self._chunks)

    def drain(self) -> Iterator[Chunk]:
        """What is there and was not read; nobody waits for it."""
        while self._chunks:
            chunk = self._chunks.popleft()
            self._held_bytes -= len(chunk.content) + CHUNK_COST_BYTES
            yield chunk

    def end(self) -> None:
        """Nothing follows: what is there can still be read, and what is put is dropped."""
        self._ended = True
        self._filled.set()
        self._emptied.set()


def lines_in(content: bytes) -> int:
    """At least one: what has no end yet is one as well."""
    return max(1, len(content.splitlines()))
