"""A relay in this process, a release server behind it, and a daemon's end of the local socket."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

from pagereeve.ports.line_settings import RelaySettings
from pagereeve.ports.relay_link import Done, Figures, Greeting, Message, RelayedLine, Take, decoded, encoded
from pagereeve.relay.forwarding import Patience
from pagereeve.relay.process import Relay

BOOT = "b00t"
BEGIN_US = 1_800_000_000_000_000
HASTE = Patience(connect_s=2.0, orphan_s=0.3, half_closed_s=20.0, close_s=5.0)


class Reports(list[tuple[str, Exception | None]]):
    def __call__(self, what: str, error: Exception | None) -> None:
        self.append((what, error))


class ReleaseServer:
    """Takes what comes, answers each piece as ``answer`` says, and ends when the sender does."""

    def __init__(self, answer: Callable[[bytes], bytes] = lambda _: b"") -> None:
        self.answer = answer
        self.received = bytearray()
        self.ended = asyncio.Event()
        self.read = asyncio.Event()
        self.read.set()

    def has(self, size: int) -> bool:
        return len(self.received) == size

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while await self.read.wait() and (piece := await reader.read(65536)):
            self.received += piece
            writer.write(self.answer(piece))
        self.ended.set()
        writer.close()


@contextlib.asynccontextmanager
async def listening(
    serve: Callable[[asyncio.StreamReader, asyncio.StreamWriter], Any], *, kernel_bytes: int | None = None
) -> AsyncIterator[str]:
    """Its address, as a setting. ``kernel_bytes``: about so much its kernel takes before it reads (socket(7))."""
    listener = socket.socket()
    if kernel_bytes is not None:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, kernel_bytes)
    listener.bind(("127.0.0.1", 0))
    server = await asyncio.start_server(serve, sock=listener)
    host, port = server.sockets[0].getsockname()
    try:
        yield f"{host}:{port}"
    finally:
        server.close()


def relay_settings(forward_to: str, **others: Any) -> RelaySettings:
    return RelaySettings.model_validate(
        {
            "name": "badges",
            "listen": "127.0.0.1:0",
            "forward_to": forward_to,
            "terminator": "lf",
            "idle_flush": "50ms",
            **others,
        }
    )


def loop_us() -> int:
    return BEGIN_US + int(asyncio.get_running_loop().time() * 1_000_000)


@contextlib.asynccontextmanager
async def relaying(
    folder: Path,
    *settings: RelaySettings,
    patience: Patience = HASTE,
    reports: Reports | None = None,
    now_us: Callable[[], int] = loop_us,
) -> AsyncIterator[Relay]:
    """Reports are none where the test wants none."""
    heard = Reports() if reports is None else reports
    relay = Relay(settings, folder / "relay.sock", boot=BOOT, now_us=now_us, report=heard, patience=patience)
    await relay.start()
    try:
        yield relay
    finally:
        await asyncio.wait_for(relay.stop(), 10)
    assert reports is not None or not [one for one in heard if "no daemon took" not in one[0]]
    assert all(one.counts.connections_open == 0 for one in relay.listeners)


async def connect(relay: Relay, place: int = 0) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    address = relay.listeners[place].address
    assert address is not None
    return await asyncio.open_connection(*address)


async def until(condition: Callable[[], object]) -> None:
    async with asyncio.timeout(5):
        while not condition():  # noqa: ASYNC110 - conditions of all kinds, which have no event
            await asyncio.sleep(0.005)


class DaemonEnd:
    """Takes lines, and acknowledges them when it is asked to."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self._writer = reader, writer
        self.lines: list[RelayedLine] = []
        self.figures: list[Figures] = []

    @classmethod
    async def at(cls, folder: Path, *relays: str, window: int = 64) -> tuple[DaemonEnd, Greeting]:
        await until((folder / "relay.sock").exists)
        reader, writer = await asyncio.open_unix_connection(str(folder / "relay.sock"), limit=2**20)
        greeting = decoded(await asyncio.wait_for(reader.readline(), 5))
        assert isinstance(greeting, Greeting)
        end = cls(reader, writer)
        if relays:
            end.say(Take(relays=relays, window=window))
        return end, greeting

    def say(self, message: Message) -> None:
        self._writer.write(encoded(message))

    async def read(self, lines: int) -> list[str]:
        """The contents of the next so many lines."""
        already = len(self.lines)
        while len(self.lines) < already + lines:
            message = decoded(await asyncio.wait_for(self._reader.readline(), 5))
            if isinstance(message, Figures):
                self.figures.append(message)
                self.done(message.number)
            else:
                assert isinstance(message, RelayedLine)
                self.lines.append(message)
        return [line.content.decode() for line in self.lines[already:]]

    async def reads_nothing(self, for_s: float = 0.3) -> bool:
        try:
            await asyncio.wait_for(self.read(1), for_s)
        except TimeoutError:
            return True
        return False

    def done(self, *numbers: int) -> None:
        self.say(Done(numbers=numbers))

    def all_done(self) -> None:
        self.done(*(line.number for line in self.lines))

    def close(self) -> None:
        self._writer.transport.abort()
