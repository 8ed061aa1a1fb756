"""Our end of the local socket: a daemon that takes lines gets them; one that is away or frozen holds up nobody."""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
from collections.abc import Callable
from pathlib import Path
from typing import Final

from pagereeve.ports.relay_link import (
    MESSAGE_MAX_BYTES,
    BadMessage,
    Done,
    Figures,
    Greeting,
    RelayedLine,
    Take,
    decoded,
    encoded,
)
from pagereeve.relay.forwarding import Report
from pagereeve.relay.spool import Spools

GUESTS_MAX: Final = 8
HELLO_S: Final = 5.0
LOOK_S: Final = 1.0
BATCH_MAX: Final = 32
WRITE_BUFFER_BYTES: Final = 64 * 1024


class LocalSocket:
    """For our own user alone. Made again where it is gone; that it can't be made stops nothing."""

    def __init__(self, path: Path, spools: Spools, *, greeting: Callable[[bool], Greeting], report: Report) -> None:
        self._path = path
        self._spools = spools
        self._greeting = greeting
        self._report = report
        self._server: asyncio.Server | None = None
        self._inode: tuple[int, int] | None = None
        self._guests: set[asyncio.Task[None]] = set()
        self._taker: Taker | None = None

    @property
    def taken(self) -> bool:
        """Whether a daemon takes lines now."""
        return self._taker is not None

    async def handed_over(self) -> None:
        """Until the daemon that takes lines, if there is one, has stored all that is held."""
        while self.taken and any(self._spools.held().values()):
            self._spools.emptied.clear()
            await self._spools.emptied.wait()

    async def run(self) -> None:
        """For ever: a data folder may come late, its disk be full for a while, and its files be removed."""
        while True:
            if not self._is_there():
                try:
                    await self._open()
                except OSError as error:
                    self._report(f"the local socket {self._path} can't be made; lines wait in memory", error)
            await asyncio.sleep(LOOK_S)

    async def stop(self) -> None:
        if self._server is not None:
            self._server.close()
        for guest in self._guests:
            guest.cancel()
        if self._guests:
            await asyncio.wait(self._guests, timeout=1.0)
        if self._is_there():
            self._path.unlink(missing_ok=True)

    def _is_there(self) -> bool:
        try:
            found = self._path.stat()
        except OSError:
            return False
        return (found.st_dev, found.st_ino) == self._inode

    async def _open(self) -> None:
        if self._server is not None:
            self._server.close()
        listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        beside = self._path.with_name(f".{self._path.name}.{os.getpid()}")
        try:
            beside.unlink(missing_ok=True)
            listening.bind(str(beside))
            # Nobody can connect before it listens.
            beside.chmod(0o600)
            found = beside.stat()
            self._server = await asyncio.start_unix_server(self._came, sock=listening, limit=MESSAGE_MAX_BYTES)
            beside.rename(self._path)
        except OSError:
            listening.close()
            with contextlib.suppress(OSError):  # it was never made, or its folder is gone
                beside.unlink()
            raise
        self._inode = found.st_dev, found.st_ino

    def _came(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if len(self._guests) >= GUESTS_MAX:
            writer.transport.abort()
            return
        guest = asyncio.create_task(self._serve(reader, writer))
        self._guests.add(guest)
        guest.add_done_callback(self._went)

    def _went(self, guest: asyncio.Task[None]) -> None:
        self._guests.discard(guest)
        if not guest.cancelled() and isinstance(error := guest.exception(), Exception):
            self._report("the local socket", error)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            async with asyncio.timeout(HELLO_S):
                writer.write(encoded(self._greeting(self.taken)))
                await writer.drain()
                said = await reader.readline()
            if said:
                await self._lend(Taker(reader, writer, self._spools, _take_of(said)))
        except (OSError, ValueError, BadMessage) as error:  # TimeoutError is an OSError; ValueError: an endless line
            self._report("the other end of the local socket is gone", error)
        finally:
            writer.transport.abort()

    async def _lend(self, taker: Taker) -> None:
        if self._taker is not None:
            self._taker.give_way()
        self._spools.take_back()
        self._taker = taker
        try:
            await taker.run()
        finally:
            if self._taker is taker:
                self._taker = None
                self._spools.take_back()
                self._spools.emptied.set()


def _take_of(said: bytes) -> Take:
    message = decoded(said)
    if not isinstance(message, Take):
        raise BadMessage(f"a take was awaited, and a {message.type} came")
    return message


class Taker:
    """Whoever takes lines now: at most ``window`` of them are out."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, spools: Spools, take: Take) -> None:
        self._reader = reader
        self._writer = writer
        self._spools = spools
        self._take = take
        self._gone = False
        self._figures_due_s = 0.0
        writer.transport.set_write_buffer_limits(high=WRITE_BUFFER_BYTES)

    async def run(self) -> None:
        """Until the other end is gone, or another takes. Raises OSError, ValueError, BadMessage."""
        both = {asyncio.create_task(self._send()), asyncio.create_task(self._receive())}
        try:
            done, _ = await asyncio.wait(both, return_when=asyncio.FIRST_COMPLETED)
        finally:
            self._gone = True
            for task in both:
                task.cancel()
            await asyncio.gather(*both, return_exceptions=True)
        for task in done:
            task.result()

    def give_way(self) -> None:
        self._gone = True
        self._writer.transport.abort()

    async def _send(self) -> None:
        while not self._gone:
            self._spools.changed.clear()
            while not self._gone and (batch := self._batch()):
                self._writer.write(b"".join(map(encoded, batch)))
                await self._writer.drain()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(LOOK_S):
                    await self._spools.changed.wait()

    def _batch(self) -> list[RelayedLine | Figures]:
        """Of each relay in turn, so that none waits for another's flood."""
        spools = [spool for name in self._take.relays if (spool := self._spools.by_relay.get(name)) is not None]
        batch: list[RelayedLine | Figures] = []
        room = min(self._take.window - sum(spool.in_flight for spool in spools), BATCH_MAX)
        while room > 0 and (lines := [line for spool in spools[:room] if (line := spool.next()) is not None]):
            batch += lines
            room -= len(lines)
        now_s = asyncio.get_running_loop().time()
        if now_s >= self._figures_due_s:
            self._figures_due_s = now_s + LOOK_S
            batch += [figures for spool in spools if (figures := spool.figures()) is not None]
        return batch

    async def _receive(self) -> None:
        while said := await self._reader.readline():
            message = decoded(said)
            if not isinstance(message, Done):
                raise BadMessage(f"a done was awaited, and a {message.type} came")
            if self._gone:
                return
            for number in message.numbers:
                for spool in self._spools.by_relay.values():
                    spool.done(number)
            self._spools.changed.set()
            self._spools.emptied.set()
