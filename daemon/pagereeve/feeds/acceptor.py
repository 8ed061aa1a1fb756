"""Listening sockets whose connections are accepted in bounds.

The event loops' own servers make a transport before anybody is asked, and accept without end in one turn. Here a
connection beyond a limit costs an accept and a close, others get their turn in between, and a lack of descriptors makes
a pause, not a busy loop and not the end of the listening (libuv closes a server whose accept fails).
"""

from __future__ import annotations

import asyncio
import errno
import socket
import ssl
from collections import Counter
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any, Final

from pagereeve.domain.values.errors import PagereeveError
from pagereeve.feeds.admission import Connections, Slot
from pagereeve.feeds.listening import cannot_listen
from pagereeve.feeds.peer_user import uid_of
from pagereeve.feeds.stats import ConnectionReason
from pagereeve.ports.setting_types import HostPort

BACKLOG: Final = 1_024
# In one turn of the loop: so many are let in, and so many looked at. One that is refused costs a tenth of the other.
ADMITTED_AT_ONCE: Final = 8
ACCEPTED_AT_ONCE: Final = 128
# After an accept that failed for want of descriptors or memory.
PAUSE_S: Final = 0.25
# For TLS to begin, and for a peer to answer our last word (close_notify, RFC 8446 section 6.1).
HANDSHAKE_S: Final = 10.0
GOODBYE_S: Final = 5.0
# A peer that lost its power says no goodbye: it is found out within two minutes (tcp(7)).
_KEEPALIVE: Final = (("TCP_KEEPIDLE", 60), ("TCP_KEEPINTVL", 15), ("TCP_KEEPCNT", 4))
_SCARCE: Final = frozenset({errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM})


class NotStarted(PagereeveError):
    """It has no address yet: open it first."""


class Acceptor:
    """Makes a protocol by ``make`` for each connection that ``connections`` has a place for.

    ``make`` must see to it that ``connections.release`` is called at the connection's end, and set the slot's ``drop``.
    With ``tls`` a connection is secured first, within ``handshake_s``; until then it is a stranger, and is displaced.
    """

    def __init__(
        self,
        connections: Connections,
        make: Callable[[Slot], asyncio.BaseProtocol],
        counts: Counter[ConnectionReason],
        on_error: Callable[[Exception], None],
        *,
        handshake_s: float = HANDSHAKE_S,
    ) -> None:
        self.tls: ssl.SSLContext | None = None
        self._handshake_s = handshake_s
        self._connections = connections
        self._make = make
        self._counts = counts
        self._on_error = on_error
        self._sockets: list[socket.socket] = []
        self._entering: set[asyncio.Task[None]] = set()
        self._securing: set[asyncio.Task[None]] = set()

    @property
    def sockets(self) -> Sequence[socket.socket]:
        return tuple(self._sockets)

    @property
    def address(self) -> tuple[str, int]:
        """Where it listens. Raises NotStarted."""
        if not self._sockets:
            raise NotStarted("the endpoint is not open")
        host, port = self._sockets[0].getsockname()[:2]
        return str(host), int(port)

    async def open(self, host: str, port: int) -> None:
        """Listen on every address of ``host``. Raises OSError where one can't be had; then none is."""
        loop = asyncio.get_running_loop()
        try:
            found = await loop.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
            for family, kind, protocol, _, address in dict.fromkeys(found):
                self._sockets.append(_listening(family, kind, protocol, address))
        except OSError as error:
            self.close()
            raise cannot_listen(HostPort(host, port), error) from error
        for listening in self._sockets:
            self._watch(listening)

    def adopt(self, listening: socket.socket) -> None:
        """Accept from a socket of another's making, which listens already; ``close`` closes it."""
        self._sockets.append(listening)
        self._watch(listening)

    def close(self) -> None:
        """No new connections; those that are open go on."""
        loop = asyncio.get_running_loop()
        for listening in self._sockets:
            loop.remove_reader(listening.fileno())
            listening.close()
        self._sockets.clear()
        for task in self._securing:
            task.cancel()

    async def wait_closed(self) -> None:
        """Connections that were just being accepted are connected, or gone."""
        if self._entering:
            await asyncio.wait(self._entering)

    def _watch(self, listening: socket.socket) -> None:
        if listening in self._sockets:
            asyncio.get_running_loop().add_reader(listening.fileno(), self._accept, listening)

    def _accept(self, listening: socket.socket) -> None:
        admitted = 0
        for _ in range(ACCEPTED_AT_ONCE):
            if admitted == ADMITTED_AT_ONCE:
                return
            try:
                accepted, address = listening.accept()
            except (BlockingIOError, InterruptedError, ConnectionAbortedError):
                return
            except OSError as error:
                self._pause(listening, error)
                return
            admitted += self._enter(accepted, address)

    def _pause(self, listening: socket.socket, error: OSError) -> None:
        self._counts["no-descriptors"] += 1
        if error.errno not in _SCARCE:
            self._on_error(error)
        loop = asyncio.get_running_loop()
        loop.remove_reader(listening.fileno())
        loop.call_later(PAUSE_S, self._watch, listening)

    def _enter(self, accepted: socket.socket, address: Any) -> bool:
        """Whether there was a place for it. At a local socket a peer is a user, and not an address."""
        uid = uid_of(accepted) if accepted.family == socket.AF_UNIX else None
        slot = self._connections.admit(str(address[0]) if uid is None else f"uid:{uid}")
        if slot is None:
            accepted.close()
            return False
        slot.uid = uid
        task = asyncio.get_running_loop().create_task(self._connect(accepted, slot))
        self._entering.add(task)
        task.add_done_callback(self._entering.discard)
        if self.tls is not None and uid is None:
            slot.drop = partial(_cancel, task)
            self._securing.add(task)
            task.add_done_callback(self._securing.discard)
        return True

    async def _connect(self, accepted: socket.socket, slot: Slot) -> None:
        tls = self.tls if slot.uid is None else None
        limits = {} if tls is None else {"ssl_handshake_timeout": self._handshake_s, "ssl_shutdown_timeout": GOODBYE_S}
        try:
            accepted.settimeout(0)
            if slot.uid is None:
                _find_out_the_dead(accepted)
            loop = asyncio.get_running_loop()
            transport, _ = await loop.connect_accepted_socket(lambda: self._make(slot), accepted, ssl=tls, **limits)
        except (OSError, asyncio.CancelledError) as error:
            # The peer hung up before it was here, can't agree with us on TLS, or gives way: nothing is owed to it.
            if tls is not None and not slot.dropped and not isinstance(error, asyncio.CancelledError):
                self._counts["handshake"] += 1
            accepted.close()
            self._connections.release(slot)
            if isinstance(error, asyncio.CancelledError):
                raise
            return
        if slot.dropped:
            transport.abort()


def _cancel(task: asyncio.Task[None]) -> None:
    task.cancel()


def _listening(family: int, kind: int, protocol: int, address: tuple[object, ...]) -> socket.socket:
    listening = socket.socket(family, kind, protocol)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if family == socket.AF_INET6:
            listening.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        listening.settimeout(0)
        listening.bind(address)
        listening.listen(BACKLOG)
    except OSError:
        listening.close()
        raise
    return listening


def _find_out_the_dead(accepted: socket.socket) -> None:
    accepted.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for name, value in _KEEPALIVE:
        option = getattr(socket, name, None)  # not on every platform
        if option is not None:
            accepted.setsockopt(socket.IPPROTO_TCP, option, value)
