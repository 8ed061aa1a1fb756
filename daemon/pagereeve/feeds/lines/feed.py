"""The raw TCP line feed: badge numbers as gateways send them, one a line, with no answer expected from us."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import Final

from pagereeve.domain.values.instants import SECOND_US
from pagereeve.domain.values.splitting import LineSplitter
from pagereeve.feeds.admission import ConnectionLimits, Connections, Slot, peer_of
from pagereeve.feeds.kind import FeedContext, OnError
from pagereeve.feeds.lines.badge_text import BadgeFrame, frame_of
from pagereeve.feeds.lines.chunks import ChunkQueue
from pagereeve.feeds.lines.hand_in import LineHandIn, LineOrigin
from pagereeve.feeds.lines.listener import READ_BYTES, Listener, Stream
from pagereeve.feeds.lines.pacing import LinePace, PacedIntake
from pagereeve.feeds.lines.settings import LineFeedSettings
from pagereeve.feeds.lines.tap import LineReader
from pagereeve.feeds.stats import FeedStats
from pagereeve.ports.clock import Clock
from pagereeve.ports.intake import Intake

# New connections from one address that is no gateway's: some gateways make one for each badge.
OPENS_PER_S: Final = 20.0
OPENS_BURST: Final = 100.0


@dataclass(frozen=True, slots=True)
class LineFeedConfig:
    """One listener for badge lines.

    gateway             the gateway's name; or names by peer address, where one that is not listed goes by its address
    reader              the reader's name, where the gateway has more than one
    terminator          ends a line; empty where only a pause does, None (ANY_LINE_END) where CR, LF and CRLF do
    frame               what the reader puts around the number, and its encoding
    line_max_bytes      of one line with its frame, without its terminator
    idle_flush_s        a pause this long ends a line as well
    connections_max     in all, and ``peer_max`` from one address
    known_peers         addresses of gateways: no silent connection of others keeps them out
    first_line_s        for one from elsewhere to send a line, where gateways are known by their addresses
    lines_per_s         of one address, after a burst of ``lines_burst``; and ``lines_per_day``
    pending_max_bytes   of one connection, read but not yet submitted
    take_s, patience_s  for one hand-in, and for all tries of one line while the journal is unavailable
    stop_s              for handing in what was read when the feed stops
    """

    name: str
    gateway: str | Mapping[str, str]
    reader: str = ""
    host: str = "127.0.0.1"
    port: int = 0
    terminator: bytes | None = b"\n"
    frame: BadgeFrame = field(default_factory=BadgeFrame)
    line_max_bytes: int = 256
    idle_flush_s: float = 0.5
    connections_max: int = 256
    peer_max: int = 32
    known_peers: frozenset[str] = frozenset()
    first_line_s: float = 60.0
    lines_per_s: float = 20.0
    lines_burst: float = 100.0
    lines_per_day: float = 200_000.0
    pending_max_bytes: int = 64 * 1024
    take_s: float = 10.0
    patience_s: float = 60.0
    stop_s: float = 5.0

    def gateway_of(self, peer: str) -> str:
        return self.gateway if isinstance(self.gateway, str) else self.gateway.get(peer, peer)


class LineFeed:
    """A connection waits while the intake does; what was not accepted is counted.

    ``on_error`` receives errors; it must not raise.
    """

    def __init__(
        self, config: LineFeedConfig, intake: Intake, *, clock: Clock, on_error: OnError, stats: FeedStats | None = None
    ) -> None:
        self.stats = stats or FeedStats()
        self.stats.connections_max = config.connections_max
        self._config = config
        self._intake = intake
        self._clock = clock
        self._on_error = on_error
        self._pumps: set[asyncio.Task[None]] = set()
        self._stopping = False
        self._pace = LinePace(config.lines_per_s, config.lines_burst, config.lines_per_day, clock)
        self._connections = Connections(
            ConnectionLimits(config.connections_max, config.peer_max, config.peer_max, OPENS_PER_S, OPENS_BURST),
            self.stats.connections_refused,
            lambda: clock.monotonic_us() / SECOND_US,
            config.known_peers,
        )
        self._listener = Listener(
            config.host,
            config.port,
            self._serve,
            connections=self._connections,
            stats=self.stats,
            on_error=partial(on_error, f"feed {config.name}: a connection"),
        )

    @property
    def address(self) -> tuple[str, int]:
        return self._listener.address

    async def start(self) -> None:
        """Raises OSError where the address can't be had."""
        await self._listener.start()

    async def stop(self) -> None:
        """Stop reading, submit what was read within ``stop_s``, close. What then remains is counted as lost."""
        self._stopping = True
        await self._listener.stop_listening()
        for pump in self._pumps:
            pump.cancel()
        await self._listener.stop(self._config.stop_s)

    async def _serve(self, stream: Stream, slot: Slot) -> None:
        silent = self._silent_after(slot)
        chunks = ChunkQueue(self._config.pending_max_bytes)
        tapping = asyncio.create_task(self._tap(chunks, stream, slot).run())
        # A tap that died must not leave a reader waiting for room for ever.
        tapping.add_done_callback(lambda _: chunks.end())
        pump = asyncio.create_task(self._pump(stream, chunks, slot))
        self._pumps.add(pump)
        if self._stopping:
            pump.cancel()
        try:
            await asyncio.wait({pump})
            chunks.end()
            await stream.close()
            await asyncio.wait({tapping})
        finally:
            silent.cancel()
            self._pumps.discard(pump)
            await self._finish(pump, tapping, chunks)

    def _silent_after(self, slot: Slot) -> asyncio.TimerHandle:
        """A gateway may be silent all night. What is known to be none has to say a line."""
        loop = asyncio.get_running_loop()
        config = self._config
        by_address = not isinstance(config.gateway, str) and bool(config.gateway)
        timer = loop.call_later(config.first_line_s, self._end_silent, slot)
        if slot.known or not by_address:
            timer.cancel()
        return timer

    def _end_silent(self, slot: Slot) -> None:
        if not slot.known:
            self._connections.end(slot, "silent")

    async def _finish(self, pump: asyncio.Task[None], tapping: asyncio.Task[None], chunks: ChunkQueue) -> None:
        pump.cancel()
        tapping.cancel()
        for ended in await asyncio.gather(pump, tapping, return_exceptions=True):
            if isinstance(ended, Exception) and not isinstance(ended, OSError):
                self._on_error(f"feed {self._config.name}: a connection", ended)
        self.stats.lost_lines += chunks.unread

    async def _pump(self, stream: Stream, chunks: ChunkQueue, slot: Slot) -> None:
        try:
            while not chunks.ended and (content := await stream.reader.read(READ_BYTES)):
                self.stats.bytes_in += len(content)
                self._connections.heard(slot)
                await chunks.put(content, self._clock.now_us())
        finally:
            await self._pump_the_rest(stream, chunks)

    async def _pump_the_rest(self, stream: Stream, chunks: ChunkQueue) -> None:
        """What has been read from the socket by now, whose sender has it no more; waits for nothing."""
        with contextlib.suppress(OSError):  # reset by the other end; or TimeoutError: nothing is left
            async with asyncio.timeout(0):
                while content := await stream.reader.read(READ_BYTES):
                    self.stats.bytes_in += len(content)
                    chunks.keep(content, self._clock.now_us())

    def _tap(self, chunks: ChunkQueue, stream: Stream, slot: Slot) -> LineReader:
        config = self._config
        origin = LineOrigin(config.name, config.gateway_of(stream.peer), config.reader, config.frame)
        paced = PacedIntake(
            self._intake,
            self._pace,
            slot.peer,
            partial(self._connections.know, slot),
            is_gateway=slot.peer in config.known_peers,
        )
        hand_in = LineHandIn(
            origin,
            paced,
            take_s=config.take_s,
            patience_s=config.patience_s,
            clock=self._clock,
            stats=self.stats,
            on_error=self._on_error,
        )
        splitter = LineSplitter(config.terminator, config.line_max_bytes)
        return LineReader(chunks, splitter, hand_in, idle_flush_s=config.idle_flush_s, clock=self._clock)


def make_line_feed(line: LineFeedSettings, context: FeedContext) -> LineFeed:
    """The lines of a feed without a gateway are known by the address that they come from."""
    config = LineFeedConfig(
        name=line.name,
        gateway=line.gateway or context.gateways,
        reader=line.reader or "",
        host=line.listen.host,
        port=line.listen.port,
        terminator=line.terminator_bytes,
        frame=frame_of(line),
        line_max_bytes=line.line_max_bytes,
        idle_flush_s=line.idle_flush.seconds,
        connections_max=context.connections_max,
        peer_max=context.peer_connections_max,
        known_peers=frozenset(map(peer_of, context.gateways)),
        pending_max_bytes=context.backlog_max * line.line_max_bytes,
    )
    return LineFeed(config, context.intake, clock=context.clock, on_error=context.on_error)
