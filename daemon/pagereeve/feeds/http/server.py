"""The HTTP server: uvicorn behind an acceptor of ours, in our task."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Final, cast

import uvicorn

from pagereeve.feeds.acceptor import Acceptor
from pagereeve.feeds.admission import ConnectionLimits, Connections, Slot
from pagereeve.feeds.http.answers import AsgiApp
from pagereeve.feeds.http.hosts import Hosts
from pagereeve.feeds.http.protocol import BoundedProtocol, WireLimits
from pagereeve.feeds.http.settings import HttpSettings
from pagereeve.feeds.http.tls import ServerCertificate
from pagereeve.feeds.stats import FeedStats

# The endpoint answers a body that is late; what it does not read is ended this much later.
BODY_GRACE_S: Final = 2.0
STOP_S: Final = 5
# uvicorn comes round ten times a second; connections that used up their time are looked for each so many rounds.
SWEPT_EVERY: Final = 5


class HttpServer(uvicorn.Server):
    """Serves ``app``. Signals are others' to handle, and stopping is ours to order (``should_exit``)."""

    def __init__(
        self,
        app: AsgiApp,
        stats: FeedStats,
        *,
        wire: WireLimits,
        connections: ConnectionLimits,
        on_error: Callable[[Exception], None],
    ) -> None:
        config = uvicorn.Config(
            app,
            interface="asgi3",
            http=BoundedProtocol,
            ws="none",
            lifespan="off",
            log_config=None,
            access_log=False,
            proxy_headers=False,
            server_header=False,
            timeout_keep_alive=round(wire.idle_s) + 1,
            timeout_graceful_shutdown=STOP_S,
        )
        super().__init__(config)
        self._wire = wire
        self._stats = stats
        counts = stats.connections_refused
        self._connections = Connections(connections, counts, lambda: asyncio.get_running_loop().time())
        self._acceptor = Acceptor(self._connections, self._protocol, counts, on_error, handshake_s=wire.head_s)
        self.hosts: Hosts | None = None
        self._certificate: ServerCertificate | None = None

    @property
    def address(self) -> tuple[str, int]:
        """Where it listens. Raises NotStarted."""
        return self._acceptor.address

    def secure(self, certificate: ServerCertificate | None) -> None:
        """New connections have this certificate from now on (None: no TLS); those of before end after their answer."""
        before, self._certificate = self._certificate, certificate
        if _digest(before) == _digest(certificate):
            return
        self._acceptor.tls = None if certificate is None else certificate.context
        for protocol in tuple(self.server_state.connections):
            cast("BoundedProtocol", protocol).shutdown()

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield

    async def open(self, host: str, port: int) -> None:
        """Connections wait until ``serve`` runs. Raises OSError where the address can't be had."""
        if not self.config.loaded:
            self.config.load()
        await self._acceptor.open(host, port)

    def adopt(self, listening: socket.socket) -> None:
        """As ``open``, with a socket that listens already."""
        if not self.config.loaded:
            self.config.load()
        self._acceptor.adopt(listening)

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:  # noqa: ARG002 - uvicorn's signature
        self.servers = [cast("asyncio.Server", self._acceptor)]  # what uvicorn does with one: close, wait_closed
        self.started = True

    async def on_tick(self, counter: int) -> bool:
        if counter % SWEPT_EVERY == 0:
            now_s = asyncio.get_running_loop().time()
            for protocol in tuple(self.server_state.connections):
                cast("BoundedProtocol", protocol).sweep(now_s)
        return await super().on_tick(counter)

    def _protocol(self, slot: Slot) -> BoundedProtocol:
        return BoundedProtocol(
            self.config,
            self.server_state,
            limits=self._wire,
            stats=self._stats,
            connections=self._connections,
            slot=slot,
            hosts=lambda: self.hosts,
        )


def _digest(certificate: ServerCertificate | None) -> bytes:
    return b"" if certificate is None else certificate.digest


def make_server(
    app: AsgiApp,
    stats: FeedStats,
    settings: HttpSettings,
    on_error: Callable[[Exception], None],
    *,
    connections_max: int,
) -> HttpServer:
    """``connections_max`` is what descriptors allow of the settings' own."""
    # However few there are in all, one peer leaves some to the others.
    stats.connections_max = connections_max
    peer_max = min(settings.peer_connections_max, max(connections_max * 3 // 4, 1))
    connections = ConnectionLimits(
        connections_max,
        peer_max,
        opens_per_s=settings.requests_per_s,
        opens_burst=max(settings.requests_burst / 2, 1),
    )
    return HttpServer(app, stats, wire=wire_limits(settings), connections=connections, on_error=on_error)


def wire_limits(settings: HttpSettings) -> WireLimits:
    return WireLimits(
        head_max_bytes=settings.head_max_bytes,
        head_s=settings.head_timeout.seconds,
        body_s=settings.body_timeout.seconds + BODY_GRACE_S,
        idle_s=settings.idle_timeout.seconds,
    )
