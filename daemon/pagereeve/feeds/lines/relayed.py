"""The copy of badge lines that pass a relay, from its local socket. A line is acknowledged once it is stored.

What we do not acknowledge the relay keeps, and hands in again: to us, or to the daemon that comes after us. A line that
is handed in twice has the same name, and is one event.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Final

from pagereeve.domain.values.errors import PagereeveError
from pagereeve.domain.values.splitting import Line, Spoilt
from pagereeve.feeds.acceptor import NotStarted
from pagereeve.feeds.kind import FeedContext
from pagereeve.feeds.lines.badge_text import frame_of
from pagereeve.feeds.lines.hand_in import LineHandIn, LineOrigin
from pagereeve.feeds.peer_user import uid_of
from pagereeve.feeds.stats import ConnectionReason, FeedStats
from pagereeve.ports.clock import boot_time_us
from pagereeve.ports.line_settings import RelaySettings
from pagereeve.ports.relay_link import (
    MESSAGE_MAX_BYTES,
    PROTOCOL,
    BadMessage,
    Done,
    Figures,
    Greeting,
    RelayedLine,
    Take,
    decoded,
    encoded,
)

WINDOW: Final = 256
WORKERS: Final = 16
GREETING_S: Final = 5.0
PAUSE_FIRST_S: Final = 0.1
PAUSE_LONGEST_S: Final = 2.0
TAKE_S: Final = 10.0
# Our name for a relay's counter that grew. Its lines' outcomes we count ourselves.
_COUNTED: Final[Mapping[str, str]] = {
    "connections": "connections",
    "forwarded_bytes": "forwarded_bytes",
    "returned_bytes": "returned_bytes",
    "unreachable": "unreachable",
    "broken": "broken",
    "blank_lines": "blank_lines",
    "dropped_lines": "lost_lines",
}
_REFUSED: Final[Mapping[str, ConnectionReason]] = {
    "connections_refused": "full",
    "connections_pushed_out": "displaced",
}


class RelayGone(PagereeveError):
    """The relay closed the local socket."""


class LinesDropped(PagereeveError):
    """A relay had more lines than it may hold while no daemon took them."""


class RelayedFeed:
    """The lines of one of [[relays]], as a feed of its name."""

    def __init__(self, settings: RelaySettings, context: FeedContext, shared_us: Callable[[], int]) -> None:
        self.stats = FeedStats(relay_up=False)
        self.listening: tuple[str, int] | None = None
        self._settings = settings
        self._context = context
        self._shared_us = shared_us
        self._frame = frame_of(settings)
        self._boot = ""
        self._seen: Mapping[str, int] = {}

    @property
    def address(self) -> tuple[str, int]:
        """Where the relay listens for gateways. Raises NotStarted while no relay has said it."""
        if self.listening is None:
            raise NotStarted(f"relay {self._settings.name} is not there; start pagereeve relay")
        return self.listening

    def change(self, settings: RelaySettings) -> None:
        """From the next line on, as far as it is the daemon's to know."""
        self._settings, self._frame = settings, frame_of(settings)

    async def take(self, boot: str, line: RelayedLine) -> None:
        """Returns once it is stored, or refused for good."""
        settings, context = self._settings, self._context
        gateway = settings.gateway or context.gateways.get(line.peer, line.peer)
        hand_in = LineHandIn(
            LineOrigin(settings.name, gateway, settings.reader or "", self._frame),
            context.intake,
            take_s=TAKE_S,
            patience_s=None,
            clock=context.clock,
            stats=self.stats,
            on_error=context.on_error,
        )
        self.stats.bytes_in += len(line.content)
        content = Spoilt(line.content) if line.too_long else Line(line.content)
        # The relay dates nothing: how long ago the line came is the same by any clock, and it may be sent twice.
        received_us = context.clock.now_us() - max(0, self._shared_us() - line.at_us)
        await hand_in.take(content, received_us, f"{boot}-{line.connection}-{line.line}")

    def count(self, boot: str, figures: Figures) -> None:
        """Adds what grew since we saw them, or since another daemon acknowledged them."""
        before = self._seen if boot == self._boot else figures.told
        self._boot, self._seen = boot, figures.totals
        self.stats.connections_open = figures.connections_open
        grown = {name: total - before.get(name, 0) for name, total in figures.totals.items()}
        for name, counter in _COUNTED.items():
            setattr(self.stats, counter, getattr(self.stats, counter) + grown.get(name, 0))
        for name, reason in _REFUSED.items():
            self.stats.connections_refused[reason] += grown.get(name, 0)
        if dropped := grown.get("dropped_lines", 0):
            text = f"{dropped} badge lines came while it held as many as it may; they were forwarded, and are lost here"
            self._context.on_error(f"relay {self._settings.name}", LinesDropped(text))


class RelayLink:
    """Keeps a connection to the relay's local socket. A relay that is away is reported once, and tried again.

    ``shared_us`` is the clock that the relay tells instants by.
    """

    def __init__(
        self,
        relays: Sequence[RelaySettings],
        path: Path,
        context: FeedContext,
        shared_us: Callable[[], int] = boot_time_us,
    ) -> None:
        self.feeds = {one.name: RelayedFeed(one, context, shared_us) for one in relays}
        self._path = path
        self._context = context
        self._task: asyncio.Task[None] | None = None
        self._reported = False

    def change(self, relays: Sequence[RelaySettings]) -> None:
        """The same relays, by name, with other settings."""
        for one in relays:
            self.feeds[one.name].change(one)

    async def start(self) -> None:
        """Returns at once: a daemon starts without a relay, too."""
        self._task = asyncio.create_task(self._run(), name="relay link")

    async def stop(self) -> None:
        """What is not acknowledged the relay keeps."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.wait({self._task})

    async def _run(self) -> None:
        pause_s = PAUSE_FIRST_S
        while True:
            began_us = self._context.clock.monotonic_us()
            try:
                await self._session()
            except Exception as error:  # noqa: BLE001 - whatever ended it, it is begun again; it is reported
                if not self._reported:
                    self._context.on_error(f"the relay at {self._path}", error)
                self._reported = True
            finally:
                for feed in self.feeds.values():
                    feed.stats.relay_up = False
                    feed.stats.connections_open = 0
            if self._context.clock.monotonic_us() - began_us > PAUSE_LONGEST_S * 1e6:
                pause_s = PAUSE_FIRST_S
            await self._context.clock.sleep(pause_s)
            pause_s = min(2 * pause_s, PAUSE_LONGEST_S)

    async def _session(self) -> None:
        """Ends by an error alone."""
        async with asyncio.timeout(GREETING_S):
            reader, writer = await asyncio.open_unix_connection(str(self._path), limit=MESSAGE_MAX_BYTES)
        try:
            _require_our_own(writer)
            async with asyncio.timeout(GREETING_S):
                greeting = _greeting_of(await reader.readline())
            for name, feed in self.feeds.items():
                feed.listening = greeting.relays.get(name)
                feed.stats.relay_up = feed.listening is not None
            writer.write(encoded(Take(relays=tuple(self.feeds), window=WINDOW)))
            self._reported = False
            await Session(self.feeds, greeting.boot, reader, writer).run()
        finally:
            writer.transport.abort()


class Session:
    """One connection. The lines of a gateway's connection are submitted in order, those of several side by side."""

    def __init__(
        self,
        feeds: Mapping[str, RelayedFeed],
        boot: str,
        reader: asyncio.StreamReader,
        writer: asyncio.StreamWriter,
    ) -> None:
        self._feeds = feeds
        self._boot = boot
        self._reader = reader
        self._writer = writer
        # WINDOW lines at most are out, so none is ever full.
        self._queues: list[asyncio.Queue[RelayedLine]] = [asyncio.Queue(maxsize=256) for _ in range(WORKERS)]

    async def run(self) -> None:
        """Until the relay is gone. Raises RelayGone, OSError, BadMessage, ValueError for an endless message."""
        workers = [asyncio.create_task(self._work(queue)) for queue in self._queues]
        reading = asyncio.create_task(self._read())
        try:
            done, _ = await asyncio.wait({reading, *workers}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (reading, *workers):
                task.cancel()
            await asyncio.gather(reading, *workers, return_exceptions=True)
        for task in done:
            task.result()

    async def _read(self) -> None:
        while said := await self._reader.readline():
            match decoded(said):
                case RelayedLine() as line if line.relay in self._feeds:
                    self._queues[hash((line.relay, line.connection)) % WORKERS].put_nowait(line)
                case Figures() as figures if figures.relay in self._feeds:
                    self._feeds[figures.relay].count(self._boot, figures)
                    self._done(figures.number)
                case other:
                    raise BadMessage(f"the relay sent a {other.type} that was not asked for")
        raise RelayGone("the relay ended, or another daemon takes its lines")

    async def _work(self, queue: asyncio.Queue[RelayedLine]) -> None:
        while True:
            line = await queue.get()
            await self._feeds[line.relay].take(self._boot, line)
            self._done(line.number)

    def _done(self, number: int) -> None:
        """Never waits: as many as the window are out at most."""
        with contextlib.suppress(OSError):  # the relay is gone, which the reading sees
            self._writer.write(encoded(Done(numbers=(number,))))


def _greeting_of(said: bytes) -> Greeting:
    message = decoded(said)
    if not isinstance(message, Greeting):
        raise BadMessage(f"a greeting was awaited, and a {message.type} came")
    if message.protocol != PROTOCOL:
        raise BadMessage(f"the relay speaks version {message.protocol}, we {PROTOCOL}; restart pagereeve relay")
    return message


def _require_our_own(writer: asyncio.StreamWriter) -> None:
    """Raises BadMessage where another user made the socket (SO_PEERCRED, unix(7))."""
    user = uid_of(writer.get_extra_info("socket"))
    if user not in {os.getuid(), 0}:
        raise BadMessage(f"the local socket is that of user {user}, and not ours; set relay_socket")
